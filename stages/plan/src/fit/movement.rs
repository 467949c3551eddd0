//! Seasonal movement: wood swells and shrinks across its grain with the humidity of the place where it stands.
//!
//! Equilibrium moisture by the Wood Handbook's equation 4-5 (FPL-GTR-190), change of size by its equation 13-2; both are held against
//! the Handbook's own tables and examples in the tests below.

use super::{FitSettings, tidy};
use grainway_pipeline::doc::{Joint, JointDoc, LongWay, PanelBy, Pointer};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Documents, Part};

/// The moisture contents, percent, between which the equation of movement holds.
const HOLDS: [f64; 2] = [6.0, 14.0];

/// Moisture of wood that has come to rest, percent, at a temperature in °C and a relative humidity in percent.
pub(super) fn equilibrium_moisture(celsius: f64, humidity: f64) -> f64 {
    let (t, h) = (celsius, humidity / 100.0);
    let w = 349.0 + 1.29 * t + 0.0135 * t * t;
    let k = 0.805 + 0.000_736 * t - 0.000_002_73 * t * t;
    let k1 = 6.27 - 0.009_38 * t - 0.000_303 * t * t;
    let k2 = 1.91 + 0.0407 * t - 0.000_293 * t * t;
    let kh = k * h;
    let both = k1 * kh + 2.0 * k1 * k2 * kh * kh;
    1800.0 / w * (kh / (1.0 - kh) + both / (1.0 + k1 * kh + k1 * k2 * kh * kh))
}

/// How much wider a piece becomes, mm, when its moisture goes from one percentage to another; `coefficient` is that of its wood for flat
/// sawn boards.
pub(super) fn movement(width: f64, coefficient: f64, from: f64, to: f64) -> f64 {
    width * coefficient * (to - from)
}

/// What goes in lies with its grain across that of what takes it: its part, and how wide it is.
fn crossed<'d>(joint: &'d JointDoc, parts: &'d [Part]) -> Option<(&'d str, f64)> {
    match &joint.joint {
        Joint::MortiseAndTenon(j) if j.mortise.lies != Some(LongWay::Across) => {
            Some((&j.tenon.part, j.tenon.together()))
        }
        Joint::Housing(j) if j.housing.lies == LongWay::Along && j.panel.by == PanelBy::End => {
            let panel = parts.iter().find(|p| p.id == j.panel.part)?;
            Some((&panel.id, panel.outline.bounds().height()))
        }
        _ => None,
    }
}

/// Joints that hold a part so wide across its grain that it will split or push its joint open over the year.
pub(super) fn held_across(
    documents: &Documents,
    parts: &[Part],
    settings: &FitSettings,
) -> Vec<Finding> {
    let [dry, damp] = settings
        .humidity
        .map(|h| equilibrium_moisture(settings.temperature, h));
    let [low, high] = [dry, damp].map(|m| m.clamp(HOLDS[0], HOLDS[1]));
    let limit = settings.most_movement.mm();
    let mut findings = Vec::new();
    for (i, joint) in documents.job.joints.iter().enumerate() {
        let Some((part, width)) = crossed(joint, parts) else {
            continue;
        };
        let part = parts.iter().find(|p| p.id == part);
        let wood = part.and_then(|p| crate::feeds::wood_of(documents, &p.stock));
        let (Some(part), Some(coefficient)) = (part, wood.and_then(|w| w.movement)) else {
            continue;
        };
        let moves = movement(width, coefficient, low, high);
        if moves <= limit {
            continue;
        }
        let message = format!(
            "The joint {} holds {} mm of {} across its grain. Between {} and {} % humidity that moves by {} mm, and its mate does not; {limit} mm are the most.",
            joint.id,
            tidy(width),
            part.id,
            settings.humidity[0],
            settings.humidity[1],
            tidy((moves * 100.0).round() / 100.0),
        );
        let at = Pointer::job().step("joints").step(i);
        findings.push(
            Finding::new(&code::HELD_ACROSS, message)
                .part(&part.id)
                .pointer(at),
        );
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Wood Handbook (FPL-GTR-190), Table 4-2, cells at 50, 70 and 90 °F; its equation is within 0.07 of them.
    #[test]
    fn moisture_is_that_of_the_handbooks_table() {
        for (fahrenheit, humidity, percent) in [
            (50.0, 30.0, 6.3),
            (50.0, 65.0, 12.3),
            (50.0, 90.0, 20.9),
            (70.0, 30.0, 6.2),
            (70.0, 50.0, 9.2),
            (70.0, 65.0, 12.0),
            (70.0, 80.0, 16.0),
            (90.0, 50.0, 8.9),
            (90.0, 90.0, 19.8),
        ] {
            let m = equilibrium_moisture((fahrenheit - 32.0) / 1.8, humidity);
            assert!(
                (m - percent).abs() < 0.07,
                "{fahrenheit} °F {humidity} %: {m}"
            );
        }
    }

    /// Wood Handbook (FPL-GTR-190), chapter 13: a white fir board 232 mm wide at 8 % becomes 1.7 mm wider at 11 % (the initial moisture and
    /// the coefficient 0.00245 from memory); 300 mm of flat sawn hard maple from 6 to 12 %: 6.354 mm by equation 13-2.
    #[test]
    fn movement_is_that_of_the_handbooks_examples() {
        assert!((movement(232.0, 0.00245, 8.0, 11.0) - 1.7).abs() < 0.05);
        let maple = grainway_pipeline::doc::wood("maple-hard").unwrap().movement;
        assert!((movement(300.0, maple.unwrap(), 6.0, 12.0) - 6.354).abs() < 5e-4);
    }
}
