//! What screw goes where: how long it is, and whether it finds a pilot.

use super::{HoldSettings, HoldStage};
use grainway_pipeline::chain::settings_of;
use grainway_pipeline::doc::Unit;
use grainway_pipeline::work::{Hold, Operation, Setup, Work};

/// A hold-down screw goes this many diameters into the spoilboard at least (common practice, no source).
const BITE_DIAMETERS: f64 = 2.0;

/// A length that is a whole step but for rounding stays it, in steps.
const ROUNDING: f64 = 1e-6;

/// Where a screw's pilot comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pilot {
    /// It needs none.
    None,
    /// The program drills it.
    Drilled,
    /// The person drills it: the program only marks the place, or the screw sits so near the end of a board that it would split it.
    ByHand,
}

/// A hold-down screw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Screw {
    /// Diameter, mm.
    pub shaft: f64,
    /// Least and greatest length, mm: it holds in the spoilboard under the thickest wood, and under the thinnest it does not come
    /// out below.
    pub length: [f64; 2],
    /// Its pilot.
    pub pilot: Pilot,
}

impl Screw {
    /// Diameter and length for people: `4 mm thick, 28 to 35 mm long`.
    pub fn size(&self, unit: Unit) -> String {
        // Rounded inwards, so that what is named is never too short or too long.
        let step = match unit {
            Unit::Mm => 1.0,
            Unit::Inch => unit.mm() / 16.0,
        };
        let [least, most] = self.length;
        let (least, most) = (
            (least / step - ROUNDING).ceil() * step,
            (most / step + ROUNDING).floor() * step,
        );
        let word = unit.word();
        let length = match least < most {
            true => format!("{} to {}", unit.measured(least), unit.measured(most)),
            false => format!("at most {}", unit.measured(self.length[1])),
        };
        format!(
            "{} {word} thick, {length} {word} long",
            unit.measured(self.shaft)
        )
    }
    /// The screw of a hold; `None` for clamps and stops.
    pub fn of(work: &Work, setup: &Setup, hold: &Hold) -> Option<Screw> {
        if hold.shaft <= 0.0 {
            return None;
        }
        let settings = settings_of(HoldStage, &work.documents).unwrap_or_default();
        let spoilboard = work
            .documents
            .machine()
            .map_or(0.0, |(_, m)| m.spoilboard.mm());
        let above = hold.head_above.max(0.0);
        let most = setup.z.thinnest + spoilboard - settings.spoilboard_least.mm() + above;
        let least = setup.z.thickest + BITE_DIAMETERS * hold.shaft + above;
        Some(Screw {
            shaft: hold.shaft,
            length: [least.min(most), most],
            pilot: pilot(setup, hold, &settings),
        })
    }
}

fn pilot(setup: &Setup, hold: &Hold, settings: &HoldSettings) -> Pilot {
    match hold.kind {
        kind if kind.wants_pilot() => {
            let through = setup
                .own_steps
                .iter()
                .any(|s| s.operation == Operation::Pilot && s.lowest < setup.z.lowest_underside());
            match through {
                true => Pilot::Drilled,
                false => Pilot::ByHand,
            }
        }
        _ => {
            let from_end = hold.at.x.min(setup.size.x - hold.at.x);
            match from_end < settings.screw_end() - NEAR_MM {
                true => Pilot::ByHand,
                false => Pilot::None,
            }
        }
    }
}

/// Places are rounded to a tenth of a millimetre; half of that does not bring a screw too near to the end.
const NEAR_MM: f64 = 0.051;
