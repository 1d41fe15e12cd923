//! Families of scenes, as data: how hard each thing may get.

use crate::cloth::Weave;
use crate::emblem::Design;
use crate::ruler::RulerKind;
use crate::scene::MarkKind;

/// A scene that must not lead to a cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trap {
    /// There is a ruler but no residue.
    NoResidue,
    /// The residue is that of another emblem than any offered.
    OtherArtwork,
    /// The residue is the mirror image of the artwork.
    MirrorImage,
    /// The outer contour fits; what is inside does not.
    OtherInnerDetail,
    /// The residue has a hole that the artwork has not, or lacks one that the artwork has.
    OtherOpening,
    /// A slot through its strokes, on one side only.
    OtherSlot,
    /// There is no ruler.
    NoRuler,
    /// Two rulers tell scales that differ by more than one per cent.
    RulersDisagree,
    /// One end of the ruler stands off the cloth.
    RulerRaised,
}

/// Which emblems a family shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Designs {
    /// Those whose place, turn, size and version can all be measured.
    Telling,
    /// Those that look the same after a turn, plain ones among them.
    Symmetric,
}

/// Which rulers a family shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rulers {
    /// Millimetres mostly, inches in one scene of three.
    Any,
    /// Inches only.
    Inch,
    /// Cards with divisions on one centimetre only.
    FirstCentimetre,
    /// Two rulers across each other.
    Two,
    /// None.
    None,
}

/// How scenes of a family are drawn. Pairs are the least and the greatest value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Family {
    /// Its name.
    pub name: &'static str,
    /// Width and height of the picture.
    pub size_px: [u32; 2],
    /// Scale on the cloth.
    pub px_per_mm: [f64; 2],
    /// Width of the emblem.
    pub width_mm: [f64; 2],
    /// Which emblems.
    pub designs: Designs,
    /// How many versions the job offers.
    pub versions: [usize; 2],
    /// Contrast of the residue.
    pub contrast_percent: [f64; 2],
    /// How far the residue reaches past the edge.
    pub bleed_mm: [f64; 2],
    /// How raggedly its edge runs.
    pub roughness_mm: [f64; 2],
    /// Share of the residue that has gone.
    pub missing: [f64; 2],
    /// Tilt of the cloth against the sensor.
    pub tilt_deg: [f64; 2],
    /// How far the camera was turned about its own axis, either way.
    pub held_deg: [f64; 2],
    /// Which rulers.
    pub rulers: Rulers,
    /// Probability of stripes.
    pub stripes: f64,
    /// Contrast of stripes and patterns.
    pub pattern_percent: [f64; 2],
    /// Probability of a knitted-in pattern.
    pub jacquard: f64,
    /// Number of folds.
    pub folds: [usize; 2],
    /// Strength of folds.
    pub fold_percent: [f64; 2],
    /// How far the cloth bulges.
    pub bumps_mm: [f64; 2],
    /// Number of stains.
    pub stains: [usize; 2],
    /// Whether other things lie about.
    pub clutter: f64,
    /// Radial distortion.
    pub k1: [f64; 2],
    /// By how much the ruler's divisions are too long, over its whole length.
    pub misprint_mm: [f64; 2],
    /// By how much the ruler is thicker than the job says.
    pub thickness_off_mm: [f64; 2],
    /// Whether the job tells the ruler's thickness.
    pub thickness_given: bool,
    /// The job tells the unit of a ruler that has but one.
    pub unit_given: bool,
    /// The trap, if it is one.
    pub trap: Option<Trap>,
    /// The impostor, if the scenes show one instead of residue and ruler.
    pub impostor: Option<Impostor>,
}

/// Something periodic that is no ruler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Impostor {
    /// The cloth itself, with this pitch.
    Cloth(Weave, f64),
    /// A thing on the cloth.
    Thing(MarkKind),
}

impl Family {
    /// What the program is mainly judged by.
    pub const MAIN: Family = Family {
        name: "main",
        size_px: [4000, 3000],
        px_per_mm: [8.0, 25.0],
        width_mm: [40.0, 120.0],
        designs: Designs::Telling,
        versions: [3, 3],
        contrast_percent: [8.0, 20.0],
        bleed_mm: [0.0, 0.5],
        roughness_mm: [0.02, 0.12],
        missing: [0.0, 0.25],
        tilt_deg: [0.0, 2.0],
        held_deg: [0.0, 0.0],
        rulers: Rulers::Any,
        stripes: 0.5,
        pattern_percent: [2.0, 9.0],
        jacquard: 0.0,
        folds: [0, 2],
        fold_percent: [1.0, 6.0],
        bumps_mm: [0.0, 0.0],
        stains: [0, 1],
        clutter: 0.3,
        k1: [0.0, 0.0],
        misprint_mm: [0.0, 0.0],
        thickness_off_mm: [0.0, 0.0],
        thickness_given: true,
        unit_given: false,
        trap: None,
        impostor: None,
    };
    /// Plain cloth, clear and whole residue with even edges: what a bound that knows of noise alone
    /// takes for granted.
    pub const CLEAN: Family = Family {
        name: "clean",
        stripes: 0.0,
        folds: [0, 0],
        stains: [0, 0],
        clutter: 0.0,
        missing: [0.0, 0.0],
        roughness_mm: [0.0, 0.0],
        contrast_percent: [12.0, 20.0],
        ..Self::MAIN
    };
    /// Stripes stronger than the residue.
    pub const STRIPES: Family = Family {
        name: "stripes",
        stripes: 1.0,
        pattern_percent: [8.0, 30.0],
        contrast_percent: [5.0, 15.0],
        ..Self::MAIN
    };
    /// Knitted-in patterns stronger than the residue.
    pub const JACQUARD: Family = Family {
        name: "jacquard",
        jacquard: 1.0,
        stripes: 0.2,
        pattern_percent: [5.0, 14.0],
        contrast_percent: [5.0, 15.0],
        ..Self::MAIN
    };
    /// A camera held at a slant.
    pub const TILT: Family = Family {
        name: "tilt",
        tilt_deg: [2.0, 14.0],
        ..Self::MAIN
    };
    /// A camera held sideways, or upside down.
    pub const SIDEWAYS: Family = Family {
        name: "sideways",
        held_deg: [60.0, 180.0],
        ..Self::MAIN
    };
    /// Residue that is hard to see.
    pub const FAINT: Family = Family {
        name: "faint",
        contrast_percent: [3.0, 6.0],
        ..Self::MAIN
    };
    /// Residue with much of it gone.
    pub const PATCHY: Family = Family {
        name: "patchy",
        missing: [0.3, 0.6],
        ..Self::MAIN
    };
    /// Rumpled, stained cloth.
    pub const FOLDS: Family = Family {
        name: "folds",
        folds: [2, 6],
        fold_percent: [6.0, 25.0],
        bumps_mm: [0.2, 0.8],
        stains: [1, 4],
        clutter: 0.7,
        ..Self::MAIN
    };
    /// Inch rulers only.
    pub const INCH: Family = Family {
        name: "inch",
        rulers: Rulers::Inch,
        ..Self::MAIN
    };
    /// Small emblems.
    pub const SMALL: Family = Family {
        name: "small",
        width_mm: [15.0, 30.0],
        px_per_mm: [12.0, 28.0],
        ..Self::MAIN
    };
    /// Large emblems.
    pub const LARGE: Family = Family {
        name: "large",
        width_mm: [150.0, 350.0],
        px_per_mm: [7.0, 12.0],
        ..Self::MAIN
    };
    /// Few pixels.
    pub const LOW_RES: Family = Family {
        name: "low-res",
        size_px: [2000, 1500],
        px_per_mm: [4.0, 7.0],
        width_mm: [60.0, 140.0],
        ..Self::MAIN
    };
    /// A third of a megapixel.
    pub const TINY: Family = Family {
        name: "tiny",
        size_px: [660, 495],
        px_per_mm: [4.0, 6.0],
        width_mm: [25.0, 60.0],
        ..Self::MAIN
    };
    /// Fifty megapixels.
    pub const HUGE: Family = Family {
        name: "huge",
        size_px: [8160, 6120],
        px_per_mm: [14.0, 60.0],
        ..Self::MAIN
    };
    /// A close-up.
    pub const MACRO: Family = Family {
        name: "macro",
        px_per_mm: [40.0, 130.0],
        width_mm: [8.0, 20.0],
        ..Self::MAIN
    };
    /// The main family in a 3 MP picture, for quick tests.
    pub const QUICK: Family = Family {
        name: "quick",
        size_px: [2000, 1500],
        px_per_mm: [8.0, 14.0],
        width_mm: [35.0, 70.0],
        ..Self::MAIN
    };
    /// A lens that bends straight lines.
    pub const LENS: Family = Family {
        name: "lens",
        k1: [-0.006, 0.006],
        ..Self::MAIN
    };
    /// The main family with what real rulers, lenses and glue add: divisions as wrong as a steel rule
    /// of up to 500 mm may be (JIS B 7516 grade 1), a thickness read off by eye, slightly bent lines,
    /// ragged edges.
    pub const WORKSHOP: Family = Family {
        name: "workshop",
        misprint_mm: [-0.15, 0.15],
        thickness_off_mm: [-0.1, 0.1],
        k1: [-0.002, 0.002],
        roughness_mm: [0.08, 0.25],
        bumps_mm: [0.05, 0.3],
        clutter: 0.6,
        ..Self::MAIN
    };
    /// Symmetric emblems: discs, rings, stars, wheels.
    pub const PLAIN: Family = Family {
        name: "plain",
        designs: Designs::Symmetric,
        ..Self::MAIN
    };
    /// Two rulers that agree.
    pub const TWO_RULERS: Family = Family {
        name: "two-rulers",
        rulers: Rulers::Two,
        tilt_deg: [0.0, 15.0],
        px_per_mm: [8.0, 16.0],
        ..Self::MAIN
    };
    /// The job keeps silent about the ruler's thickness.
    pub const UNKNOWN_THICKNESS: Family = Family {
        name: "unknown-thickness",
        thickness_given: false,
        ..Self::MAIN
    };
    /// The job tells the ruler's unit beside its thickness.
    pub const UNIT_GIVEN: Family = Family {
        name: "unit-given",
        unit_given: true,
        ..Self::MAIN
    };
    /// Cards with divisions on one centimetre only.
    pub const FIRST_CENTIMETRE: Family = Family {
        name: "first-centimetre",
        rulers: Rulers::FirstCentimetre,
        ..Self::MAIN
    };

    /// No residue.
    pub const NO_RESIDUE: Family = Family {
        name: "no-residue",
        trap: Some(Trap::NoResidue),
        ..Self::MAIN
    };
    /// Another emblem.
    pub const OTHER_ARTWORK: Family = Family {
        name: "other-artwork",
        trap: Some(Trap::OtherArtwork),
        ..Self::MAIN
    };
    /// The mirror image.
    pub const MIRROR_IMAGE: Family = Family {
        name: "mirror-image",
        trap: Some(Trap::MirrorImage),
        ..Self::MAIN
    };
    /// Other inner detail.
    pub const OTHER_DETAIL: Family = Family {
        name: "other-detail",
        trap: Some(Trap::OtherInnerDetail),
        ..Self::MAIN
    };
    /// A hole of any shape and place, on one side only.
    pub const OTHER_OPENING: Family = Family {
        name: "other-opening",
        trap: Some(Trap::OtherOpening),
        ..Self::MAIN
    };
    /// A slot through the strokes, on one side only.
    pub const OTHER_SLOT: Family = Family {
        name: "other-slot",
        trap: Some(Trap::OtherSlot),
        ..Self::MAIN
    };
    /// No ruler.
    pub const NO_RULER: Family = Family {
        name: "no-ruler",
        trap: Some(Trap::NoRuler),
        rulers: Rulers::None,
        ..Self::MAIN
    };
    /// Two rulers that disagree.
    pub const RULERS_DISAGREE: Family = Family {
        name: "rulers-disagree",
        trap: Some(Trap::RulersDisagree),
        rulers: Rulers::Two,
        px_per_mm: [8.0, 16.0],
        ..Self::MAIN
    };
    /// A ruler that does not lie flat.
    pub const RULER_RAISED: Family = Family {
        name: "ruler-raised",
        trap: Some(Trap::RulerRaised),
        ..Self::MAIN
    };

    const fn impostor(name: &'static str, impostor: Impostor) -> Family {
        Family {
            name,
            trap: Some(Trap::NoRuler),
            rulers: Rulers::None,
            impostor: Some(impostor),
            clutter: 0.0,
            ..Self::MAIN
        }
    }

    /// Pictures without a ruler that show something with its rhythm.
    pub const IMPOSTORS: [Family; 13] = [
        Self::impostor("impostor-rib", Impostor::Cloth(Weave::Rib, 1.0)),
        Self::impostor("impostor-mesh", Impostor::Cloth(Weave::Mesh, 2.0)),
        Self::impostor("impostor-corduroy", Impostor::Cloth(Weave::Corduroy, 1.0)),
        Self::impostor("impostor-woven", Impostor::Cloth(Weave::Woven, 1.0)),
        Self::impostor("impostor-blinds", Impostor::Thing(MarkKind::Blinds)),
        Self::impostor("impostor-stitching", Impostor::Thing(MarkKind::Stitching)),
        Self::impostor("impostor-zip", Impostor::Thing(MarkKind::Zip)),
        Self::impostor("impostor-keyboard", Impostor::Thing(MarkKind::Keyboard)),
        Self::impostor("impostor-barcode", Impostor::Thing(MarkKind::Barcode)),
        Self::impostor("impostor-grid", Impostor::Thing(MarkKind::Grid)),
        Self::impostor(
            "impostor-fine-stripes",
            Impostor::Thing(MarkKind::FineStripes),
        ),
        Self::impostor("impostor-comb", Impostor::Thing(MarkKind::Comb)),
        Self::impostor("impostor-print", Impostor::Thing(MarkKind::Print)),
    ];

    /// Families whose scenes can be measured.
    pub const MEASURABLE: [Family; 24] = [
        Self::MAIN,
        Self::WORKSHOP,
        Self::CLEAN,
        Self::STRIPES,
        Self::JACQUARD,
        Self::TILT,
        Self::SIDEWAYS,
        Self::FAINT,
        Self::PATCHY,
        Self::FOLDS,
        Self::INCH,
        Self::SMALL,
        Self::LARGE,
        Self::LOW_RES,
        Self::TINY,
        Self::HUGE,
        Self::MACRO,
        Self::QUICK,
        Self::LENS,
        Self::PLAIN,
        Self::TWO_RULERS,
        Self::UNKNOWN_THICKNESS,
        Self::UNIT_GIVEN,
        Self::FIRST_CENTIMETRE,
    ];

    /// Families that must never lead to a cut.
    pub const TRAPS: [Family; 9] = [
        Self::NO_RESIDUE,
        Self::OTHER_ARTWORK,
        Self::MIRROR_IMAGE,
        Self::OTHER_DETAIL,
        Self::OTHER_OPENING,
        Self::OTHER_SLOT,
        Self::NO_RULER,
        Self::RULERS_DISAGREE,
        Self::RULER_RAISED,
    ];

    /// Every family.
    pub fn all() -> impl Iterator<Item = Family> {
        Self::MEASURABLE
            .into_iter()
            .chain(Self::TRAPS)
            .chain(Self::IMPOSTORS)
    }

    /// The family of this name.
    pub fn named(name: &str) -> Option<Family> {
        Self::all().find(|f| f.name == name)
    }

    pub(crate) fn ruler_kinds(&self) -> &'static [RulerKind] {
        match self.rulers {
            Rulers::Any | Rulers::Two => &RulerKind::MM,
            Rulers::Inch => &RulerKind::INCH,
            Rulers::FirstCentimetre => &[RulerKind::Blocks, RulerKind::Boxes],
            Rulers::None => &[],
        }
    }

    pub(crate) fn emblem_designs(&self) -> &'static [Design] {
        match (self.designs, self.trap) {
            (_, Some(Trap::MirrorImage)) => &[
                Design::TernShield,
                Design::Monogram,
                Design::Bird,
                Design::Pennant,
                Design::Fish,
                Design::Number(5),
            ],
            (_, Some(Trap::OtherInnerDetail)) => &[
                Design::TernShield,
                Design::AnchorRoundel,
                Design::ThinCrest,
                Design::Lighthouse,
                Design::Fish,
                Design::Crown,
            ],
            (Designs::Symmetric, _) => &[Design::Disc, Design::Ring, Design::Star, Design::Wheel],
            _ => &Design::TELLING,
        }
    }
}
