//! Seasonal movement: wood swells and shrinks across its grain with the humidity of the place where it stands.
//!
//! Equilibrium moisture by the Wood Handbook's equation 4-5 (FPL-GTR-190), change of size by its equation 13-2; both are held against
//! the Handbook's own tables and examples in the tests below.

use super::{FitSettings, tidy};
use grainway_pipeline::doc::{CleatJoint, Joint, JointDoc, LongWay, PanelBy, Pointer, stock_of};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Documents, Part};

/// Wood whose moisture is no farther from that of its place than this, percent, is like it: meters are no better. Common practice, no source.
const LIKE_PLACE: f64 = 1.0;
/// Slots are longer in steps of this, mm.
const TRAVEL_STEP_MM: f64 = 0.1;
/// Less than this share of a step is rounding.
const SAME_SHARE: f64 = 1e-6;
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

/// The moisture of the wood in the driest and in the dampest weeks of its place, percent, as far as the equation of movement holds.
fn season(settings: &FitSettings) -> [f64; 2] {
    let moisture = |h| equilibrium_moisture(settings.temperature, h);
    settings
        .humidity
        .map(|h| moisture(h).clamp(HOLDS[0], HOLDS[1]))
}

/// By how many percent the moisture of a stock's wood changes at most once it is joined: from what was measured, or from one end of the season
/// to the other.
fn swing(documents: &Documents, stock: &str, settings: &FitSettings) -> f64 {
    let [low, high] = season(settings);
    match documents.stock(stock).and_then(|s| s.moisture) {
        Some(m) => (high - m).abs().max((low - m).abs()),
        None => high - low,
    }
}

/// Between what a part moves, as a sentence begins.
fn between(documents: &Documents, stock: &str, settings: &FitSettings) -> String {
    let [dry, damp] = settings.humidity;
    match documents.stock(stock).and_then(|s| s.moisture) {
        Some(m) => format!("From {m} % moisture on, and between {dry} and {damp} % humidity,"),
        None => format!("Between {dry} and {damp} % humidity"),
    }
}

/// Stocks whose wood will not keep the moisture at which it is machined, with what the widest of their parts comes to.
pub(super) fn unlike_place(
    documents: &Documents,
    parts: &[Part],
    settings: &FitSettings,
) -> Vec<Finding> {
    let [low, high] = season(settings);
    let mut findings = Vec::new();
    // A board or a blank with readings of its own has the moisture of its stock.
    let bought = documents.stocks().into_iter();
    for (id, stock) in bought.filter(|(id, _)| stock_of(id) == *id) {
        let of = parts.iter().filter(|p| stock_of(&p.stock) == id);
        let wide = |p: &Part| p.outline.bounds().height();
        let widest = of.max_by(|a, b| wide(a).total_cmp(&wide(b)));
        let coefficient = crate::feeds::wood_of(documents, id).and_then(|w| w.movement);
        let (Some(m), Some(part), Some(coefficient)) = (stock.moisture, widest, coefficient) else {
            continue;
        };
        if m >= low - LIKE_PLACE && m <= high + LIKE_PLACE {
            continue;
        }
        let ([narrower, thinner], near, far) = match m > high {
            true => (["narrower", "thinner"], high, low),
            false => (["wider", "thicker"], low, high),
        };
        let round = |mm: f64| tidy((mm.abs() * 100.0).round() / 100.0);
        let span = |wide: f64| {
            let of = |to| round(movement(wide, coefficient, m, to));
            format!("{} to {} mm", of(near), of(far))
        };
        let readings = documents.stock(&part.stock).unwrap_or(stock).readings_mm();
        let (width, thick) = (wide(part), readings.2);
        let message = format!(
            "The wood of the stock {id} is machined at {m} % moisture; where the piece will stand it comes to {} to {} %. {}, {} mm wide, becomes {} {narrower}, and what is {} mm thick at a joint {} {thinner}.",
            round1(low),
            round1(high),
            part.id,
            tidy(width),
            span(width),
            tidy(thick),
            span(thick),
        );
        let place = match documents.job.stocks.contains_key(id) {
            true => Pointer::job(),
            false => Pointer::shop(),
        };
        let at = place.step("stocks").step(id).step("moisture");
        findings.push(Finding::new(&code::MOISTURE_UNLIKE_PLACE, message).pointer(at));
    }
    findings
}

/// To a tenth, as moisture is told.
fn round1(percent: f64) -> f64 {
    (percent * 10.0).round() / 10.0
}

/// How far a described part goes at most to either side of where it was screwed down, so far from where it keeps its place, mm. Rounded up to [`TRAVEL_STEP_MM`]. `None` where it is not known how its wood moves.
pub(super) fn travel(
    documents: &Documents,
    part: &str,
    apart: f64,
    settings: &FitSettings,
) -> Option<f64> {
    let part = documents.job.parts.iter().find(|p| p.id == part)?;
    let coefficient = crate::feeds::wood_of(documents, &part.stock)?.movement?;
    let moves = movement(
        apart,
        coefficient,
        0.0,
        swing(documents, &part.stock, settings),
    );
    Some((moves / TRAVEL_STEP_MM - SAME_SHARE).ceil().max(0.0) * TRAVEL_STEP_MM)
}

/// A cleat whose screws have less room in their slots than its mate moves, or of whose mate it is not known how it moves.
fn screwed(
    id: &str,
    j: &CleatJoint,
    documents: &Documents,
    settings: &FitSettings,
) -> Option<Finding> {
    let mate = &j.onto.part;
    let part = documents.job.parts.iter().find(|p| p.id == *mate)?;
    let farthest = j.cleat.farthest();
    let message = match (travel(documents, mate, farthest, settings), j.cleat.travel) {
        (None, Some(_)) => return None,
        (None, None) => format!(
            "The joint {id} has slots, but it is not known how the wood of {mate} moves, and they have no room."
        ),
        (Some(_), None) => return None,
        (Some(needed), Some(travel)) if travel.mm() >= needed - SAME_SHARE => return None,
        (Some(needed), Some(travel)) => format!(
            "The joint {id} holds {mate} across its grain. {} {mate} moves by {} mm to either side, {} mm from the screw that keeps its place; the slots leave room for {} mm.",
            between(documents, &part.stock, settings),
            tidy(needed),
            tidy(farthest),
            tidy(travel.mm()),
        ),
    };
    let mut finding = Finding::new(&code::HELD_ACROSS, message).part(mate);
    finding.remedy = "Leave `travel` out of the cleat, or lengthen it; give `movement` of the wood in the shop where it is not known.".to_string();
    Some(finding)
}

/// Joints that hold a part so wide across its grain that it will split or push its joint open over the year.
pub(super) fn held_across(
    documents: &Documents,
    parts: &[Part],
    settings: &FitSettings,
) -> Vec<Finding> {
    let limit = settings.most_movement.mm();
    let mut findings = Vec::new();
    for (i, joint) in documents.job.joints.iter().enumerate() {
        let at = Pointer::job().step("joints").step(i);
        if let Joint::Cleat(j) = &joint.joint {
            let told = screwed(&joint.id, j, documents, settings);
            findings.extend(told.map(|f| f.pointer(at.step("joint").step("cleat"))));
            continue;
        }
        let Some((part, width)) = crossed(joint, parts) else {
            continue;
        };
        let part = parts.iter().find(|p| p.id == part);
        let wood = part.and_then(|p| crate::feeds::wood_of(documents, &p.stock));
        let (Some(part), Some(coefficient)) = (part, wood.and_then(|w| w.movement)) else {
            continue;
        };
        let moves = movement(
            width,
            coefficient,
            0.0,
            swing(documents, &part.stock, settings),
        );
        if moves <= limit {
            continue;
        }
        let message = format!(
            "The joint {} holds {} mm of {} across its grain. {} that moves by {} mm, and its mate does not; {limit} mm are the most.",
            joint.id,
            tidy(width),
            part.id,
            between(documents, &part.stock, settings),
            tidy((moves * 100.0).round() / 100.0),
        );
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
