//! A piece that stands upright to be cut in its end: uprights that its face and an edge lie against, and a clamp that presses it to them.

use super::PlaceSettings;
use super::against::{Against, STOP_CLEAR_MM, no_room};
use grainway_geom::{Point, point};
use grainway_pipeline::doc::Side;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Hold, HoldKind, Part, Setup, Work};

/// Uprights bear on the face at these shares of the width where they may; nearer the edges a piece stands more surely.
const SHARES: [f64; 2] = [0.15, 0.85];

/// The piece is longer than the machine leaves room for upright pieces, or nothing says how much room that is.
pub(super) fn too_long(work: &Work, part: &Part, side: Side) -> Option<Finding> {
    let (name, machine) = work.documents.machine()?;
    let length = part.outline.bounds().width();
    let told = |why: String| {
        let message = format!(
            "To be cut from its {}, part {} stands upright, {length:.1} mm high; {why}.",
            side.word(),
            part.id
        );
        let mut finding = Finding::new(&code::PART_TOO_LARGE, message).part(&part.id);
        finding.remedy = "Set the machine's `end-height` to the longest piece that can stand under its spindle, before its open front too; or cut the end by other means: dowel from an edge, or make a tenon of the part's own.".to_string();
        finding
    };
    match machine.end_height.map(|l| l.mm()) {
        None => Some(told(format!(
            "the machine {name} does not say how long such a piece may be"
        ))),
        Some(most) if length > most => Some(told(format!(
            "the machine {name} leaves {most:.1} mm for such a piece"
        ))),
        Some(_) => None,
    }
}

/// Two uprights at the face, one at the edge that lies left, and a clamp against the back.
pub(super) fn holds(
    setup: &mut Setup,
    settings: &PlaceSettings,
    against: &Against<'_>,
    part: &str,
    findings: &mut Vec<Finding>,
) {
    let radius = settings.stop_radius.mm();
    let clear = radius + STOP_CLEAR_MM;
    let free = |touch: Point, out: Point| {
        let along = point(out.y, out.x);
        against.bears(touch, along)
            && against.wood.bears_upright(touch, along)
            && against
                .field
                .clearance(touch + out * radius, clear, &|_, _, _| true)
                >= clear - 1e-9
    };
    let shares = || (2..=98).map(|k| f64::from(k) / 100.0);
    let size = setup.size;
    let at_face = |s: f64| point(s * size.x, 0.0);
    let near = point(0.0, -1.0);
    let fits: Vec<f64> = shares().filter(|s| free(at_face(*s), near)).collect();
    let apart = |a: Point, b: Point| a.distance(b) >= 2.0 * radius;
    let pairs = fits
        .iter()
        .flat_map(|a| fits.iter().map(move |b| [*a, *b]))
        .filter(|[a, b]| a < b && (b - a) * size.x >= 2.0 * radius);
    let aside = |[a, b]: [f64; 2]| (a - SHARES[0]).abs() + (b - SHARES[1]).abs();
    let face = pairs.min_by(|a, b| aside(*a).total_cmp(&aside(*b)));
    let Some(face) = face else {
        findings.push(no_room(setup.side, part));
        return;
    };
    let uprights = face.map(|s| at_face(s) + near * radius);
    let middle = |s: &f64| (s - 0.5).abs();
    let (left, back) = (point(-1.0, 0.0), point(0.0, 1.0));
    let edge = shares()
        .map(|s| (s, point(0.0, s * size.y)))
        .filter(|(_, touch)| {
            let at = *touch + left * radius;
            free(*touch, left) && uprights.iter().all(|u| apart(*u, at))
        })
        .min_by(|a, b| middle(&a.0).total_cmp(&middle(&b.0)));
    let between = (face[0] + face[1]) / 2.0;
    let clamp = shares()
        .filter(|s| (face[0]..=face[1]).contains(s))
        .map(|s| (s, point(s * size.x, size.y)))
        .filter(|(_, touch)| free(*touch, back))
        .min_by(|a, b| (a.0 - between).abs().total_cmp(&(b.0 - between).abs()));
    let (Some((_, edge)), Some((_, clamp))) = (edge, clamp) else {
        findings.push(no_room(setup.side, part));
        return;
    };
    let hold = |kind, at| Hold {
        kind,
        at,
        head_radius: radius,
        shaft: 0.0,
        head_above: -settings.stop_below.mm(),
        after_pause: None,
        of: None,
    };
    let stops = uprights.into_iter().chain([edge + left * radius]);
    setup.holds.extend(stops.map(|at| hold(HoldKind::Stop, at)));
    let pressed = hold(HoldKind::SideClamp, clamp + back * radius);
    setup.holds.push(pressed);
}
