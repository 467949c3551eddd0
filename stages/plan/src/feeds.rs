//! Feeds and speeds from cutter, wood and machine by the published formulas, as starting points.
//!
//! n = 1000·v_c/(π·D) for drills, n from the limits for end mills; v_f = n·z·f_z (Machinery's Handbook, from memory). The chip load f_z
//! itself has no published table for routing solid wood: it is scaled here between the shop figures for hard and soft woods by
//! hardness and density (common practice, no source). What a cutter's own fields give goes over everything computed.

use grainway_pipeline::doc::{Cutter, CutterKind, Machine, WoodFigures};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Documents, Operation};

/// Below this chip load, mm a tooth, a cutter rubs and burns instead of cutting. Common practice, no source.
pub const CHIP_LOAD_FLOOR_MM: f64 = 0.04;
/// Chip load of a 6 mm end mill in the hardest and in the softest wood of the table, mm a tooth. Common practice, no source.
pub const CHIP_LOAD_MM: [f64; 2] = [0.05, 0.10];
/// The diameter that [`CHIP_LOAD_MM`] is for, mm; others scale with their diameter, at most by the factors of [`DIAMETER_SCALE`].
const CHIP_LOAD_DIAMETER_MM: f64 = 6.0;
/// Least and greatest scale of the chip load by diameter. Common practice, no source.
const DIAMETER_SCALE: [f64; 2] = [0.5, 2.0];
/// Side hardness, newtons, at which wood counts as soft and as hard: about the softest and the hardest row of FPL-GTR-282 that
/// the built-in table holds (eastern white pine 1690, shagbark hickory 8363).
const HARDNESS_N: [f64; 2] = [1_700.0, 8_400.0];
/// Specific gravity at the same two ends of the table (0.35 and 0.72).
const DENSITY: [f64; 2] = [0.35, 0.72];
/// The speed an end mill starts from where neither it nor the machine limits it, rev/min. Common practice, no source.
const ROUTER_RPM: f64 = 18_000.0;
/// Surface speed of a drill in wood, m/min. Common practice, no source.
const DRILL_SURFACE_SPEED: f64 = 60.0;
/// Feed of a drill per revolution as a share of its diameter (6 mm: 0.12 mm). Common practice, no source.
const DRILL_FEED_SHARE: f64 = 0.02;
/// Correction for thin chips is never more than this (common practice, no source).
pub const CHIP_THINNING_MOST: f64 = 1.5;
/// Downward feed: this share of the feed in the cut, and never more than [`PLUNGE_MOST_MM_MIN`] (common practice, no source).
const PLUNGE_SHARE: f64 = 1.0 / 3.0;
/// Greatest downward feed, mm/min (common practice, no source).
pub const PLUNGE_MOST_MM_MIN: f64 = 900.0;
/// A drill that must turn this many times faster than wanted, because the spindle cannot turn slower, is worth a warning.
const DRILL_TOO_FAST: f64 = 1.5;

/// What a cutter is run with.
#[derive(Clone, Debug, PartialEq)]
pub struct Feeds {
    /// rev/min.
    pub rpm: f64,
    /// In the cut, mm/min.
    pub feed: f64,
    /// Downwards (ramps, plunges, drilling), mm/min.
    pub plunge: f64,
    /// Greatest depth of one pass, mm.
    pub pass_depth: f64,
    /// Chip load, mm a tooth.
    pub feed_per_tooth: f64,
    /// One line for the sheet: what was computed from what, or that the shop gave it. Thin chips are not in it.
    pub reason: String,
    /// What is wrong with the figures, if anything.
    pub trouble: Option<FeedTrouble>,
}

/// What is wrong with a cutter's figures on a machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FeedTrouble {
    /// The chip load stays below its floor: the feed is limited and the spindle cannot turn slower.
    ChipLoadLow,
    /// The spindle's least speed is above the largest speed marked on the cutter.
    SpindleTooFast,
    /// A drill turns much faster than a drill should, because the spindle cannot turn slower; the wanted speed, rev/min.
    DrillFast(f64),
}

impl Feeds {
    /// The finding about these figures, if something is wrong with them.
    pub fn finding(&self, cutter_id: &str, cutter: &Cutter, machine: &Machine) -> Option<Finding> {
        Some(match self.trouble? {
            FeedTrouble::ChipLoadLow => Finding::new(
                &code::CHIP_LOAD_LOW,
                format!(
                    "Cutter {cutter_id} ({}) takes {:.3} mm a tooth at {:.0} rev/min and {:.0} mm/min, less than {CHIP_LOAD_FLOOR_MM} mm: it rubs.",
                    cutter.label(),
                    self.feed_per_tooth,
                    self.rpm,
                    self.feed
                ),
            ),
            FeedTrouble::SpindleTooFast => Finding::new(
                &code::SPINDLE_TOO_FAST,
                format!(
                    "The spindle turns at least {:.0} rev/min, but cutter {cutter_id} ({}) is marked for at most {:.0}.",
                    machine.min_rpm,
                    cutter.label(),
                    cutter.max_rpm
                ),
            ),
            FeedTrouble::DrillFast(wanted) => Finding::new(
                &code::DRILL_FAST,
                format!(
                    "Drill {cutter_id} ({}) should turn about {wanted:.0} rev/min; the spindle turns at least {:.0}.",
                    cutter.label(),
                    machine.min_rpm
                ),
            ),
        })
    }
    /// The feed for a cut that engages only `engaged` mm of the cutter's width, so that the chips are as thick as meant; the
    /// correction is at most [`CHIP_THINNING_MOST`] and the machine's largest feed holds.
    #[must_use]
    pub fn thinned(mut self, engaged: f64, cutter: &Cutter, machine: &Machine) -> Feeds {
        let factor = chip_thinning(engaged, cutter.diameter.mm());
        if factor > 1.0 + 1e-9 {
            self.feed = round_feed((self.feed * factor).min(machine.max_feed.mm()));
        }
        self
    }
}

/// Why a cutter of the shop is run at `feed` (mm/min) in a stock: one line for the sheet. `None` where cutter, wood or machine is not
/// known.
pub fn reason(
    documents: &Documents,
    stock: &str,
    cutter: &str,
    operation: Operation,
    feed: f64,
) -> Option<String> {
    let (_, machine) = documents.machine()?;
    let wood = wood_of(documents, stock)?;
    let usual = feeds(documents.cutter(cutter)?, &wood, machine, operation);
    let factor = feed / usual.feed;
    Some(match factor > 1.005 {
        true => format!("{}; feed times {factor:.2} for thin chips", usual.reason),
        false => usual.reason,
    })
}

/// By how much the feed may rise for a cut that engages `engaged` of the diameter `diameter` (both mm):
/// 1/√(1 − (1 − 2a_e/D)²), at most [`CHIP_THINNING_MOST`], 1 from half the diameter on (geometry of the cut).
pub fn chip_thinning(engaged: f64, diameter: f64) -> f64 {
    let q = engaged / diameter;
    if q.is_nan() || q <= 0.0 || q >= 0.5 {
        return 1.0;
    }
    (1.0 / (1.0 - (1.0 - 2.0 * q).powi(2)).sqrt()).clamp(1.0, CHIP_THINNING_MOST)
}

/// The feed of a cutter's centre on an arc of radius `path` whose wall lies at radius `wall` (mm), so that the wall sees no more
/// than `feed`: feed · R_path / R_wall inside an arc, unchanged outside (geometry).
pub fn feed_on_arc(feed: f64, path: f64, wall: f64) -> f64 {
    if wall > path && wall > 0.0 {
        (feed * path / wall).max(1.0)
    } else {
        feed
    }
}

/// Figures of a stock's wood: the shop's own, else the built-in table's.
pub fn wood_of(documents: &Documents, stock: &str) -> Option<WoodFigures> {
    let name = &documents.stock(stock)?.wood;
    documents
        .shop
        .woods
        .get(name)
        .cloned()
        .or_else(|| grainway_pipeline::doc::wood(name).map(|w| w.figures()))
}

/// A share of the way from `ends[0]` to `ends[1]`, kept between 0 and 1.
fn share(value: f64, ends: [f64; 2]) -> f64 {
    let s = (value - ends[0]) / (ends[1] - ends[0]);
    if s.is_finite() {
        s.clamp(0.0, 1.0)
    } else {
        0.5
    }
}

/// The chip load of an end mill `diameter` mm wide, mm a tooth: between the figures for the hardest and the softest wood by the
/// mean of the wood's places on the scales of hardness and density, times diameter over 6 mm, never below the floor.
pub fn chip_load(diameter: f64, wood: &WoodFigures) -> f64 {
    let hard = 0.5 * (share(wood.hardness, HARDNESS_N) + share(wood.density, DENSITY));
    let at_6 = CHIP_LOAD_MM[1] + (CHIP_LOAD_MM[0] - CHIP_LOAD_MM[1]) * hard;
    let scale = (diameter / CHIP_LOAD_DIAMETER_MM).clamp(DIAMETER_SCALE[0], DIAMETER_SCALE[1]);
    (at_6 * scale).max(CHIP_LOAD_FLOOR_MM)
}

/// Feeds in whole millimetres a minute: a sheet with decimals would pretend an exactness that a starting point does not have.
fn round_feed(feed: f64) -> f64 {
    feed.floor().max(1.0)
}

/// Feeds for a cutter in a wood on a machine.
pub fn feeds(
    cutter: &Cutter,
    wood: &WoodFigures,
    machine: &Machine,
    operation: Operation,
) -> Feeds {
    if cutter.kind == CutterKind::Drill {
        drill_feeds(cutter, machine)
    } else {
        mill_feeds(cutter, wood, machine, operation)
    }
}

fn mill_feeds(
    cutter: &Cutter,
    wood: &WoodFigures,
    machine: &Machine,
    operation: Operation,
) -> Feeds {
    let edges = f64::from(cutter.edges.max(1));
    let diameter = cutter.diameter.mm();
    let max_feed = machine.max_feed.mm();
    let highest = cutter.max_rpm.min(machine.max_rpm);
    let mut rpm = cutter.rpm.unwrap_or(ROUTER_RPM).min(highest);
    rpm = rpm.max(machine.min_rpm);
    let given = cutter.feed_per_tooth.map(|f| f.mm());
    let wanted = given.unwrap_or_else(|| chip_load(diameter, wood));
    let mut said = match given {
        Some(f) => format!("{f:.3} mm a tooth given by the shop"),
        None => format!(
            "{wanted:.3} mm a tooth for wood of {:.0} N and density {:.2}",
            wood.hardness, wood.density
        ),
    };
    let mut feed = rpm * edges * wanted;
    if feed > max_feed {
        feed = max_feed;
        // The machine cannot feed fast enough: turn slower, as far as it takes to keep the chips above the floor.
        let floor = CHIP_LOAD_FLOOR_MM.min(wanted);
        if cutter.rpm.is_none() && feed / (rpm * edges) < floor {
            let slower = (feed / (edges * floor) / 100.0).floor() * 100.0;
            rpm = slower.max(machine.min_rpm).min(rpm);
        }
        said = format!("{said}, limited by the machine's {max_feed:.0} mm/min");
    }
    // A floor for the rounding: a feed must never come out as nothing.
    let feed = round_feed(feed);
    let feed_per_tooth = feed / (rpm * edges);
    let plunge = (feed * PLUNGE_SHARE)
        .min(PLUNGE_MOST_MM_MIN)
        .min(machine.max_plunge.mm());
    let whose = if cutter.rpm.is_some() {
        " given by the shop"
    } else {
        ""
    };
    let trouble = if machine.min_rpm > cutter.max_rpm {
        Some(FeedTrouble::SpindleTooFast)
    } else if feed_per_tooth < CHIP_LOAD_FLOOR_MM.min(wanted) - 5e-4
        && operation != Operation::Engrave
    {
        Some(FeedTrouble::ChipLoadLow)
    } else {
        None
    };
    Feeds {
        rpm,
        feed,
        plunge: round_feed(plunge),
        pass_depth: cutter.pass_depth_mm(),
        feed_per_tooth,
        reason: format!(
            "{said}; {rpm:.0} rev/min{whose} × {} edges × {feed_per_tooth:.3} mm = {feed:.0} mm/min; a starting point",
            cutter.edges.max(1)
        ),
        trouble,
    }
}

fn drill_feeds(cutter: &Cutter, machine: &Machine) -> Feeds {
    let diameter = cutter.diameter.mm();
    let wanted = cutter
        .rpm
        .unwrap_or(1000.0 * DRILL_SURFACE_SPEED / (std::f64::consts::PI * diameter));
    let wanted = (wanted / 10.0).round() * 10.0;
    let rpm = wanted
        .min(cutter.max_rpm.min(machine.max_rpm))
        .max(machine.min_rpm);
    let edges = f64::from(cutter.edges.max(1));
    // A drill's feed is meant per revolution; its chip load per tooth is that shared by its edges.
    let per_turn = cutter
        .feed_per_tooth
        .map_or(diameter * DRILL_FEED_SHARE, |f| f.mm() * edges);
    let feed = round_feed(
        (rpm * per_turn)
            .min(machine.max_plunge.mm())
            .min(PLUNGE_MOST_MM_MIN),
    );
    let trouble = if machine.min_rpm > cutter.max_rpm {
        Some(FeedTrouble::SpindleTooFast)
    } else if rpm > wanted * DRILL_TOO_FAST {
        Some(FeedTrouble::DrillFast(wanted))
    } else {
        None
    };
    let from = if cutter.rpm.is_some() {
        "speed given by the shop".to_string()
    } else {
        format!("{DRILL_SURFACE_SPEED:.0} m/min at {diameter:.2} mm")
    };
    Feeds {
        rpm,
        feed,
        plunge: feed,
        pass_depth: cutter.pass_depth.map_or(diameter, |d| d.mm()),
        feed_per_tooth: feed / (rpm * edges),
        reason: format!(
            "{from}: {rpm:.0} rev/min × {:.3} mm a turn = {feed:.0} mm/min downwards; a starting point",
            feed / rpm
        ),
        trouble,
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "figures that formulas give exactly")]
mod tests {
    use super::*;
    use grainway_pipeline::doc::wood;
    use serde_json::json;

    fn cutter(kind: &str, diameter: f64) -> Cutter {
        serde_json::from_value(
            json!({"kind": kind, "number": 1, "diameter": diameter, "cutting-length": 25,
            "max-rpm": 24000}),
        )
        .unwrap()
    }

    fn machine() -> Machine {
        serde_json::from_value(json!({"dialect": "x", "travel": [2500, 1300, 150], "z-zero": "bed", "max-feed": 6000,
            "max-plunge": 3000, "rapid": 10000, "acceleration": 500, "min-rpm": 1000, "max-rpm": 24000, "spoilboard": 18}))
        .unwrap()
    }

    #[test]
    fn published_feed_formula() {
        // v_f = n·z·f_z (Machinery's Handbook, from memory): 2 edges, 0.1 mm, 18 000 rev/min is 3600 mm/min.
        let mut c = cutter("end-mill", 6.0);
        c.feed_per_tooth = Some(grainway_pipeline::doc::Length::from_mm(0.1));
        let f = feeds(
            &c,
            &wood("ash").unwrap().figures(),
            &machine(),
            Operation::Clear,
        );
        assert_eq!((f.rpm, f.feed), (18_000.0, 3_600.0));
        // A third of 3600 is 1200; the plunge stops at 900 (common practice, no source).
        assert_eq!(f.plunge, 900.0);
        assert_eq!(f.pass_depth, 3.0);
        assert!(f.reason.contains("given by the shop") && f.reason.contains("starting point"));
    }

    #[test]
    fn chip_loads_stay_within_shop_practice() {
        // 0.05–0.10 for 6 mm in hardwood, floor 0.04: common practice, no source.
        for w in grainway_pipeline::doc::WOODS {
            for d in [1.0, 3.0, 6.0, 6.35, 12.7, 20.0] {
                let f = chip_load(d, &w.figures());
                assert!((0.04..=0.2).contains(&f), "{} {d}: {f}", w.name);
            }
            let f = chip_load(6.0, &w.figures());
            assert!((0.05..=0.10).contains(&f), "{}: {f}", w.name);
        }
        // 100 in/min, two flutes, 18 000 rev/min in a medium hardwood is 0.0706 mm (a shop rule, common practice, no source).
        let ash = chip_load(6.35, &wood("ash").unwrap().figures());
        assert!((ash - 0.0706).abs() < 0.005, "{ash}");
        assert!(
            chip_load(6.0, &wood("hickory").unwrap().figures())
                < chip_load(6.0, &wood("pine-white").unwrap().figures())
        );
    }

    #[test]
    fn chip_thinning_table() {
        // 1/√(1 − (1 − 2q)²), calculated; capped at 1.5 (common practice, no source).
        for (q, factor) in [
            (0.05, 1.5),
            (0.10, 1.5),
            (0.15, 1.4003),
            (0.20, 1.25),
            (0.25, 1.1547),
            (0.40, 1.0206),
            (0.50, 1.0),
            (1.0, 1.0),
        ] {
            assert!((chip_thinning(q * 10.0, 10.0) - factor).abs() < 1e-4, "{q}");
        }
    }

    #[test]
    fn slow_machine_turns_slower_to_keep_its_chips() {
        let mut m = machine();
        m.max_feed = grainway_pipeline::doc::Length::from_mm(1000.0);
        let f = feeds(
            &cutter("end-mill", 6.0),
            &wood("ash").unwrap().figures(),
            &m,
            Operation::Clear,
        );
        assert_eq!((f.rpm, f.feed), (12_500.0, 1_000.0));
        assert!(f.feed_per_tooth >= CHIP_LOAD_FLOOR_MM - 1e-12 && f.trouble.is_none());
    }

    #[test]
    fn low_chip_load_is_found() {
        let mut m = machine();
        m.max_feed = grainway_pipeline::doc::Length::from_mm(500.0);
        m.min_rpm = 10_000.0;
        let c = cutter("end-mill", 6.0);
        let f = feeds(&c, &wood("ash").unwrap().figures(), &m, Operation::Clear);
        assert_eq!((f.rpm, f.feed), (10_000.0, 500.0));
        let finding = f.finding("a", &c, &m).unwrap();
        assert_eq!(finding.code, "chip-load-low");
        assert!(
            finding.message.contains("0.025 mm a tooth"),
            "{}",
            finding.message
        );
    }

    #[test]
    fn drills_turn_at_drill_speed() {
        let d = cutter("drill", 6.0);
        let f = feeds(
            &d,
            &wood("ash").unwrap().figures(),
            &machine(),
            Operation::Drill,
        );
        // n = 1000·v_c/(π·D) (Machinery's Handbook, from memory); 60 m/min is common practice, no source.
        assert!((f.rpm - 1000.0 * 60.0 / (std::f64::consts::PI * 6.0)).abs() <= 5.0);
        assert!(f.rpm < 4_000.0 && f.feed < 500.0 && f.trouble.is_none());
        let mut m = machine();
        m.min_rpm = 8_000.0;
        let f = feeds(&d, &wood("ash").unwrap().figures(), &m, Operation::Drill);
        assert_eq!(f.finding("d", &d, &m).unwrap().code, "drill-fast");
    }

    #[test]
    fn spindle_faster_than_the_cutter_may_is_an_error() {
        let mut c = cutter("end-mill", 40.0);
        c.max_rpm = 8_000.0;
        let mut m = machine();
        m.min_rpm = 10_000.0;
        let f = feeds(&c, &wood("ash").unwrap().figures(), &m, Operation::Clear);
        assert_eq!(f.finding("c", &c, &m).unwrap().code, "spindle-too-fast");
    }

    #[test]
    fn wall_speed_in_an_8_mm_hole() {
        // Calculated: an 8 mm hole with a 6 mm cutter: the wall sees four times the centre's feed.
        assert_eq!(feed_on_arc(2_000.0, 1.0, 4.0), 500.0);
        assert_eq!(feed_on_arc(2_000.0, 10.0, 7.0), 2_000.0);
    }
}
