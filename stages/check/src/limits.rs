//! The limits of a setup, from the settings, the machine and the dialect.

use super::VerifySettings;
use grainway_pipeline::doc::Machine;
use grainway_pipeline::tolerance::{ARC_RADIUS_MM, ROUNDING_MM, VERIFY_MM};

/// Limits in plain numbers, mm unless said otherwise.
#[derive(Clone, Copy, Debug)]
pub(super) struct Settled {
    /// What a cut may enter what must stand, in all.
    pub(super) gouge: f64,
    /// | start − centre | against | end − centre |.
    pub(super) arc_radius: f64,
    pub(super) rapid_margin: f64,
    pub(super) descend_margin: f64,
    pub(super) hold_margin: f64,
    pub(super) spoilboard_limit: f64,
    pub(super) spoilboard_reserve: f64,
    pub(super) tab_height: f64,
    pub(super) tab_neck: f64,
    pub(super) skin: f64,
    pub(super) loose_area: f64,
    pub(super) frame_width: f64,
    pub(super) z_error: f64,
    pub(super) cutter_error: f64,
    pub(super) chip_floor: f64,
    pub(super) chip_ceiling: f64,
    /// Times the pass depth above which a pass is a warning.
    pub(super) pass_warn: f64,
    /// What a machine does, if known: largest feeds, spindle speeds, travel.
    pub(super) max_feed: f64,
    pub(super) max_plunge: f64,
    pub(super) min_rpm: f64,
    pub(super) max_rpm: f64,
    pub(super) travel: [f64; 3],
    pub(super) spoilboard: f64,
    pub(super) nut_radius: f64,
    /// Seconds that the spindle needs to its speed, or to stand.
    pub(super) spin_up: f64,
}

impl Settled {
    pub(super) fn new(s: &VerifySettings, machine: Option<&Machine>, decimals_mm: f64) -> Settled {
        let m = |f: fn(&Machine) -> f64, none: f64| machine.map_or(none, f);
        // A dialect that rounds coarser than three decimals is charged for it: the limit does not grow with it, only the arc
        // check, which is about rounding itself.
        let coarse = (decimals_mm / ROUNDING_MM).max(1.0);
        Settled {
            gouge: VERIFY_MM + 1e-6,
            arc_radius: ARC_RADIUS_MM * coarse + 1e-9,
            rapid_margin: s.rapid_margin.mm(),
            descend_margin: s.descend_margin.mm(),
            hold_margin: s.hold_margin.mm(),
            spoilboard_limit: s.spoilboard_limit.mm(),
            spoilboard_reserve: s.spoilboard_reserve.mm(),
            tab_height: s.tab_height.mm(),
            tab_neck: s.tab_neck.mm(),
            skin: s.skin.mm(),
            loose_area: s.loose_side.mm() * s.loose_side.mm(),
            frame_width: s.frame_width.mm(),
            z_error: s.z_error.mm(),
            cutter_error: s.cutter_error.mm(),
            chip_floor: s.chip_floor.mm(),
            chip_ceiling: s.chip_ceiling.mm(),
            pass_warn: s.pass_warn,
            max_feed: m(|m| m.max_feed.mm(), f64::INFINITY),
            max_plunge: m(|m| m.max_plunge.mm(), f64::INFINITY),
            min_rpm: m(|m| m.min_rpm, 0.0),
            max_rpm: m(|m| m.max_rpm, f64::INFINITY),
            travel: machine.map_or([f64::INFINITY; 3], |m| m.travel.map(|l| l.mm())),
            spoilboard: m(|m| m.spoilboard.mm(), f64::INFINITY),
            nut_radius: m(|m| m.nut_diameter.mm() / 2.0, 0.0),
            spin_up: m(|m| m.spin_up_seconds, 0.0),
        }
    }
}
