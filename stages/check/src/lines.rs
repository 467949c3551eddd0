//! Locating lines: grooves in the spoilboard whose inner walls are the edges of a blank with its lower left corner at zero.

use super::Scene;
use super::figures::{Said, mm};
use super::motions::Motion;
use grainway_geom::{Point, point};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::VERIFY_MM;
use grainway_pipeline::work::SetupKind;

/// At least this share of the near and of the left edge has a line to lay the blank against.
const LEAST_SHARE: f64 = 0.5;

pub(super) fn check(scene: &Scene<'_>, said: &mut Said) {
    if scene.setup.kind != SetupKind::Lines {
        return;
    }
    let size = scene.setup.size;
    let mut along = [0.0; 2];
    let mut aside: Option<&Motion> = None;
    let cuts = scene.recorded.motions.iter();
    for m in cuts.filter(|m| m.cuts && m.low() < scene.setup.z.top()) {
        let radius = scene.recorded.tool(m).map_or(0.0, |t| t.radius);
        let [a, b] = [m.path.start(), m.path.end()];
        let sides = [side(size, radius, a), side(size, radius, b)];
        let straight = m.path.at(0.5).distance(a.lerp(b, 0.5)) <= VERIFY_MM;
        let Some(both) = (0..4)
            .find(|i| sides.iter().all(|s| s[*i]))
            .filter(|_| straight)
        else {
            aside.get_or_insert(m);
            continue;
        };
        if let Some(sum) = along.get_mut(both) {
            *sum += a.distance(b);
        }
    }
    let short = along[0] < LEAST_SHARE * size.x || along[1] < LEAST_SHARE * size.y;
    if aside.is_some() || short {
        let message = format!(
            "the locating lines do not run along the edges of a blank of {} × {} mm with its corner at zero.",
            mm(size.x),
            mm(size.y)
        );
        let finding = match aside {
            Some(m) => scene.at_line(m.text, m.line, &code::VERIFY_WANTED, message),
            None => Finding::new(&code::VERIFY_WANTED, message).setup(&scene.setup.id),
        };
        said.find(aside.map(|m| m.text), finding);
    }
}

/// Whether a cutter of this radius lies there just outside of the near, the left, the far and the right edge.
fn side(size: Point, radius: f64, at: Point) -> [bool; 4] {
    let far = size - at + point(radius, radius);
    let near = at + point(radius, radius);
    let on = |v: f64| v.abs() <= VERIFY_MM;
    let within = |v: f64, end: f64| (-VERIFY_MM..=end + 2.0 * radius + VERIFY_MM).contains(&v);
    let (x, y) = (within(near.x, size.x), within(near.y, size.y));
    [
        on(near.y) && x,
        on(near.x) && y,
        on(far.y) && x,
        on(far.x) && y,
    ]
}
