//! The decoder's view of a file's bytes, watched for what it skips.

use std::cell::Cell;

use zune_jpeg::zune_core::bytestream::{ZByteIoError, ZByteReaderTrait, ZCursor, ZSeekFrom};

/// Once all of a scan is there, the decoder goes on to the next marker byte by byte; nowhere else does it
/// ask for many single bytes in turn.
pub(super) struct Watched<'a> {
    inner: ZCursor<&'a [u8]>,
    /// Single bytes, but for markers' fill bytes, that were asked for since anything else was,
    in_turn: usize,
    /// and the most that ever were.
    skipped: &'a Cell<usize>,
}

impl<'a> Watched<'a> {
    pub(super) fn new(bytes: &'a [u8], skipped: &'a Cell<usize>) -> Self {
        Self {
            inner: ZCursor::new(bytes),
            in_turn: 0,
            skipped,
        }
    }
}

impl ZByteReaderTrait for Watched<'_> {
    fn read_byte_no_error(&mut self) -> u8 {
        self.in_turn = 0;
        self.inner.read_byte_no_error()
    }

    fn read_exact_bytes(&mut self, buf: &mut [u8]) -> Result<(), ZByteIoError> {
        const FILL: u8 = 0xff;
        self.inner.read_exact_bytes(buf)?;
        match *buf {
            [FILL] => {}
            [_] => {
                self.in_turn += 1;
                self.skipped.set(self.skipped.get().max(self.in_turn));
            }
            _ => self.in_turn = 0,
        }
        Ok(())
    }

    fn read_bytes(&mut self, buf: &mut [u8]) -> Result<usize, ZByteIoError> {
        self.inner.read_bytes(buf)
    }

    fn peek_bytes(&mut self, buf: &mut [u8]) -> Result<usize, ZByteIoError> {
        self.inner.peek_bytes(buf)
    }

    fn peek_exact_bytes(&mut self, buf: &mut [u8]) -> Result<(), ZByteIoError> {
        self.inner.peek_exact_bytes(buf)
    }

    fn z_seek(&mut self, from: ZSeekFrom) -> Result<u64, ZByteIoError> {
        self.inner.z_seek(from)
    }

    fn is_eof(&mut self) -> Result<bool, ZByteIoError> {
        self.inner.is_eof()
    }

    fn z_position(&mut self) -> Result<u64, ZByteIoError> {
        self.inner.z_position()
    }

    fn read_remaining(&mut self, sink: &mut Vec<u8>) -> Result<usize, ZByteIoError> {
        self.inner.read_remaining(sink)
    }
}
