//! EXIF data for photos made in tests.

/// EXIF data as TIFF, little-endian: the orientation in IFD 0, all else in the Exif IFD.
#[derive(Default)]
pub(crate) struct Tags {
    pub(crate) orientation: u16,
    pub(crate) shorts: Vec<(u16, u16)>,
    pub(crate) rationals: Vec<(u16, u32, u32)>,
}

impl Tags {
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut out = b"II*\0\x08\0\0\0\x02\0".to_vec();
        let entry = |out: &mut Vec<u8>, tag: u16, kind: u16, value: [u8; 4]| {
            out.extend(tag.to_le_bytes());
            out.extend(kind.to_le_bytes());
            out.extend(1u32.to_le_bytes());
            out.extend(value);
        };
        let short = |v: u16| [v.to_le_bytes()[0], v.to_le_bytes()[1], 0, 0];
        let exif_ifd = 8 + 2 + 2 * 12 + 4;
        entry(&mut out, 0x0112, 3, short(self.orientation));
        entry(&mut out, 0x8769, 4, u32::to_le_bytes(exif_ifd));
        out.extend([0; 4]);
        let count = self.shorts.len() + self.rationals.len();
        out.extend((count as u16).to_le_bytes());
        let data = exif_ifd + 2 + 12 * count as u32 + 4;
        for &(tag, value) in &self.shorts {
            entry(&mut out, tag, 3, short(value));
        }
        for (i, &(tag, ..)) in self.rationals.iter().enumerate() {
            entry(&mut out, tag, 5, (data + 8 * i as u32).to_le_bytes());
        }
        out.extend([0; 4]);
        for (_, numerator, denominator) in &self.rationals {
            out.extend(numerator.to_le_bytes());
            out.extend(denominator.to_le_bytes());
        }
        out
    }
}
