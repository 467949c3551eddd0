//! The room that a joint's fit asks for: cheeks by the thickest reading of the mate's wood, ends and depths by their own rule.

use super::FitSettings;
use grainway_geom::{Contour, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Fit, Length, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Documents, Feature, Mating, Part, Wall};

/// Sizes between cheeks are whole multiples of this, mm: finer than a shop measures, and equal joints come out equal.
const SIZE_STEP_MM: f64 = 0.05;
/// What adding up leaves of a difference of nothing, mm.
const NOTHING_MM: f64 = 1e-6;

/// Rooms that cannot be are told.
pub(super) fn check_rooms(
    documents: &Documents,
    settings: &FitSettings,
    findings: &mut Vec<Finding>,
) {
    for fit in Fit::ALL {
        let room = settings.room(fit);
        let (least, greatest) = (room.least.mm(), room.greatest.mm());
        if least.is_finite() && greatest.is_finite() && least >= 0.0 && greatest >= least {
            continue;
        }
        let message = format!(
            "The room of a {} fit is from {least} to {greatest} mm; it must begin at 0 or more and end no lower.",
            fit.word()
        );
        let at = documents.setting("fit", &[fit.word()]);
        findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(at));
    }
}

/// A climate that cannot be is told.
pub(super) fn check_climate(
    documents: &Documents,
    settings: &FitSettings,
    findings: &mut Vec<Finding>,
) {
    let [dry, damp] = settings.humidity;
    let mut say = |key: &str, message: String| {
        let at = documents.setting("fit", &[key]);
        findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(at));
    };
    if !(dry > 0.0 && dry <= damp && damp < 100.0) {
        let message = format!(
            "The humidity of the place is from {dry} to {damp} %; it must lie between 0 and 100 and rise."
        );
        say("humidity", message);
    }
    let celsius = settings.temperature;
    if !(-20.0..=60.0).contains(&celsius) {
        let message =
            format!("The temperature of the place is {celsius} °C; it must be from -20 to 60.");
        say("temperature", message);
    }
}

/// Tells of two tenons that meet inside a part, and by how much each is too long to pass the other. The features are as large as their tenons;
/// `room` says what one takes along, across and from the face down, mm.
pub(super) fn tenons_meet(
    a: &Feature,
    b: &Feature,
    room: impl Fn(&Feature) -> [(f64, f64); 3],
) -> Option<Finding> {
    let takes_tenon = |f: &Feature| f.kind == FeatureKind::Mortise && f.mating.is_some();
    if !takes_tenon(a) || !takes_tenon(b) {
        return None;
    }
    let (of_a, of_b) = (room(a), room(b));
    let both = of_a.iter().zip(of_b);
    let overlap = both.map(|(a, b)| a.1.min(b.1) - a.0.max(b.0));
    let overlap: Vec<f64> = overlap.collect();
    if overlap.iter().any(|o| *o <= NOTHING_MM) {
        return None;
    }
    // Which way it goes in: along, across or from the face.
    let axis = |side: Side| match side {
        Side::LeftEnd | Side::RightEnd => 0,
        Side::Near | Side::Far => 1,
        Side::Face | Side::Back => 2,
    };
    let too_long = |f: &Feature, own: &[(f64, f64); 3], other: &[(f64, f64); 3]| {
        let i = axis(f.side);
        // From its tip back to where the other one begins.
        let by = match f.side {
            Side::Face | Side::Near | Side::LeftEnd => own[i].1 - other[i].0,
            Side::Back | Side::Far | Side::RightEnd => other[i].1 - own[i].0,
        };
        super::tidy((by * 100.0).round() / 100.0)
    };
    let message = format!(
        "The tenon of {} in the {} and that of {} in the {} meet inside the wood: the first is {} mm too long to pass the second, the second {} mm to pass the first.",
        a.key,
        a.side.word(),
        b.key,
        b.side.word(),
        too_long(a, &of_a, &of_b),
        too_long(b, &of_b, &of_a),
    );
    Some(Finding::new(&code::TENONS_MEET, message))
}

/// The part with the features of joints as large as their mates need them.
pub(super) fn with_room(
    part: &Part,
    documents: &Documents,
    settings: &FitSettings,
    findings: &mut Vec<Finding>,
) -> Part {
    let mut part = part.clone();
    for feature in &mut part.features {
        let Some(mating) = feature.mating.clone() else {
            continue;
        };
        let joint = documents.job.joints.iter().find(|j| j.id == mating.joint);
        let Some(fit) = joint.map(|j| j.fit) else {
            continue;
        };
        let room = settings.room(fit);
        let cheeks = cheek_room(mating.mate, room.least.mm(), room.greatest.mm());
        let loosest = cheeks + mating.spread;
        if mating.walls.contains(&Wall::Cheek) && loosest > room.greatest.mm() + NOTHING_MM {
            let message = format!(
                "The thinnest wood for the joint {} has {} mm of room between the cheeks; a {} fit has at most {} mm.",
                mating.joint,
                super::tidy(loosest),
                fit.word(),
                super::tidy(room.greatest.mm())
            );
            let finding = Finding::new(&code::FIT_LOOSE, message).part(&part.id);
            findings.push(finding.feature(&feature.key));
        }
        give(feature, &mating, cheeks, settings);
        if let Some((apart, mate)) = &mating.slides {
            let travel = super::movement::travel(documents, mate, *apart, settings);
            let half = point(travel.unwrap_or_default(), 0.0);
            let b = feature.shape.bounds();
            let round = b.height() / 2.0;
            feature.shape = Contour::rectangle(b.min - half, b.max + half, round);
            feature.circle = None;
        }
    }
    part
}

/// The room between the cheeks, both sides together: at least `least`, the size a whole number of steps where that stays in the fit.
fn cheek_room(mate: f64, least: f64, greatest: f64) -> f64 {
    let step = ((mate + least) / SIZE_STEP_MM - NOTHING_MM).ceil() * SIZE_STEP_MM - mate;
    if step <= greatest { step } else { least }
}

fn give(feature: &mut Feature, mating: &Mating, cheeks: f64, settings: &FitSettings) {
    let of = |wall: Wall, opposite: Wall| match wall {
        Wall::Cheek if opposite == Wall::Cheek => cheeks / 2.0,
        Wall::Cheek => cheeks,
        Wall::End => settings.end_room.mm(),
        Wall::Bottom => settings.slot_room.mm() / 2.0,
        Wall::Open => 0.0,
    };
    let [left, right, near, far] = mating.walls;
    if mating.walls != [Wall::Open; 4] {
        let b = feature.shape.bounds();
        let low = b.min - point(of(left, right), of(near, far));
        let high = b.max + point(of(right, left), of(far, near));
        feature.shape = Contour::rectangle(low, high, 0.0);
    }
    if let Some(Depth::Below(depth)) = feature.depth {
        let deeper = depth.mm() + mating.glue * settings.glue_room.mm();
        feature.depth = Some(Depth::Below(Length::from_mm(deeper)));
    }
}

#[cfg(test)]
mod tests {
    use super::cheek_room;

    #[test]
    fn sizes_between_cheeks_are_whole_steps_within_the_fit() {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} is not {b}");
        close(cheek_room(19.3, 0.1, 0.2), 0.1);
        close(cheek_room(19.32, 0.1, 0.2), 0.13);
        close(cheek_room(19.32, 0.0, 0.02), 0.0);
        // 0.3 mm more wood is 0.3 mm more room.
        close(
            19.6 + cheek_room(19.6, 0.1, 0.2),
            19.3 + cheek_room(19.3, 0.1, 0.2) + 0.3,
        );
    }
}
