//! What is told of cutouts and outlines: their paths, the heights of their passes, and the tabs that stay, held against the moves that
//! are run.

use super::curves::{Boxes, around};
use super::figures::mm;
use grainway_geom::{Contour, Point, Point3, Segment};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{
    BlobId, CutLoop, Operation, Placement, ProfileCut, Setup, StepRef, StepView, Tab, Work,
    Workingstep, step_view,
};
use std::collections::BTreeSet;

/// A path that is run passes its own places within this, mm: rounding is not in moves.
const ON_PATH_MM: f64 = 0.01;
/// Heights that differ by less than this are the same, mm.
const LEVEL_MM: f64 = 1e-3;
/// Between the tabs a path is looked at in steps of this, mm: less than the narrowest tab.
const STEP_MM: f64 = 2.0;
/// A tab's neck is cut this much wider than told where a joint of the path lies just outside, mm.
const WIDER_MM: f64 = 0.15;
/// The cutter is lifted at least for the neck and its own diameter, less this at each end, mm: what lies so near is one place.
const SHORTER_MM: f64 = 0.03;
/// A tab stands at least this high above the floor of its cut, mm.
const LIFTED_MM: f64 = 0.5;
/// The cutter has come down again so far behind a tab, mm, and its diameter.
const BEHIND_MM: f64 = 2.0;

/// The cuts among moves: seen from above, each with its heights.
struct Cuts {
    all: Vec<(Segment, [f64; 2])>,
    boxes: Boxes,
}

impl Cuts {
    fn of(moves: &[Move]) -> Cuts {
        let mut at = Point3::default().xy().at_z(SAFE_Z);
        let mut all = Vec::new();
        for m in moves {
            let from = at;
            at = m.end(from);
            let (a, b) = (from.xy(), at.xy());
            let path = match *m {
                Move::Line { .. } => Segment::Line { a, b },
                Move::Arc { centre, sweep, .. } => Segment::Arc {
                    a,
                    b,
                    centre,
                    radius: a.distance(centre),
                    sweep,
                },
                Move::Rapid { .. } | Move::Hole { .. } => continue,
            };
            all.push((path, [from.z, at.z]));
        }
        let boxes = Boxes::new(all.iter().map(|c| c.0.bounds()).collect());
        Cuts { all, boxes }
    }
    /// The lowest height at which they pass a place; infinite where they do not.
    fn lowest_at(&self, at: Point) -> f64 {
        let mut low = f64::INFINITY;
        self.boxes
            .visit(around(at, ON_PATH_MM), usize::MAX, &mut |i| {
                let (path, z) = &self.all[i];
                let (near, share) = path.nearest(at);
                if near.distance(at) <= ON_PATH_MM {
                    low = low.min(z[0] + share * (z[1] - z[0]));
                }
                true
            });
        low
    }
    /// Heights at which they end.
    fn ends(&self) -> impl Iterator<Item = f64> {
        self.all.iter().map(|c| c.1[1])
    }
}

/// The told path of every loop is run, and the cutter comes to the height of each of its passes.
pub(super) fn paths(step: &Workingstep, work: &Work) -> Option<String> {
    let profile = step.profile.as_ref()?;
    let cutter = work.documents.cutter(&step.cutter)?;
    let cuts = Cuts::of(&work.moves(&step.moves));
    let run = |p: &Contour| {
        p.segments()
            .filter(|s| s.length() > 2.0 * ON_PATH_MM)
            .all(|s| cuts.lowest_at(s.at(0.5)).is_finite())
    };
    // A path that is told to be open is not run round.
    let is_open = |p: &Contour| {
        let back = p.vertices.first().zip(p.vertices.last());
        p.closed
            || back.is_none_or(|(a, b)| {
                let far = a.at.distance(b.at) > 2.0 * ON_PATH_MM;
                far && !cuts.lowest_at(a.at.lerp(b.at, 0.5)).is_finite()
            })
    };
    let ends = |z: f64| cuts.ends().any(|end| (end - z).abs() <= LEVEL_MM);
    let loops = profile.loops.iter();
    let same = loops.fold(!profile.loops.is_empty(), |all, l| {
        all && run(&l.path) && is_open(&l.path) && l.passes.iter().all(|z| ends(*z))
    });
    let same = same && finishing_is_told(&profile.loops);
    let diameter = (profile.cutter_diameter - cutter.diameter.mm()).abs() <= LEVEL_MM;
    let inside = profile.keeps_inside == (step.operation == Operation::Outline);
    (!same || !diameter || !inside).then(|| {
        format!(
            "The path that is told of {} is not the one that is run.",
            step.feature
        )
    })
}

/// Where roughing takes several passes, the loops that take one are told to finish, and come last.
fn finishing_is_told(loops: &[CutLoop]) -> bool {
    let rough = loops.first().map_or(0, |l| l.passes.len());
    let finish = |l: &CutLoop| l.passes.len() < rough;
    loops.iter().all(|l| rough < 2 || l.finishing == finish(l))
        && loops.is_sorted_by_key(|l| l.finishing)
        && loops.first().is_some_and(|l| !l.finishing)
}

/// Tabs that are told of pieces of a setup but do not stay as told, and tabs that stay and are not told.
pub(super) fn tabs(work: &Work, setup: &Setup) -> Vec<(String, String)> {
    let mut wrong = Vec::new();
    let mut known: BTreeSet<(&BlobId, Vec<[u64; 3]>)> = BTreeSet::new();
    for (i, placement) in setup.placements.iter().enumerate() {
        let steps = work
            .variant(&placement.variant)
            .map_or(0, |v| v.steps.len());
        for view in (0..steps).filter_map(|k| step_view(work, setup, StepRef::Placed(i, k))) {
            let Some(profile) = profile_of(work, placement, &view) else {
                continue;
            };
            let told = told(placement, &view);
            let key = |t: &Tab| [t.along, t.neck, t.top].map(f64::to_bits);
            if !known.insert((view.moves, told.iter().map(key).collect())) {
                continue;
            }
            wrong.extend(stand(work, profile, &view, told).map(|w| (placement.piece.clone(), w)));
        }
    }
    wrong
}

/// How a placed step is cut along a contour; nothing where another step stands in its place.
fn profile_of<'w>(
    work: &'w Work,
    placement: &Placement,
    view: &StepView<'_>,
) -> Option<&'w ProfileCut> {
    let own = work.variant(&placement.variant)?.steps.get(view.index?)?;
    own.profile.as_ref().filter(|_| !view.replaced)
}

/// The tabs that are told of a step.
fn told<'w>(placement: &'w Placement, view: &StepView<'_>) -> &'w [Tab] {
    if view.operation == Operation::Outline {
        return &placement.tabs;
    }
    let mut waste = placement.waste.iter();
    waste
        .find(|w| w.feature == view.feature)
        .map_or(&[], |w| &w.tabs)
}

fn stand(work: &Work, profile: &ProfileCut, view: &StepView<'_>, told: &[Tab]) -> Option<String> {
    let path = profile.loops.last()?.path.measured();
    let length = profile.loops.last()?.path.length();
    let cuts = Cuts::of(&work.moves(view.moves));
    let floor = cuts.ends().fold(f64::INFINITY, f64::min);
    let low = |along: f64| {
        let at = path.at_length(along.rem_euclid(length));
        at.map_or(f64::INFINITY, |(p, _)| cuts.lowest_at(p))
    };
    let reach = |t: &Tab| 0.5 * t.neck + profile.cutter_diameter + BEHIND_MM;
    let away = |t: &Tab, along: f64| {
        let ahead = (along - t.along).rem_euclid(length);
        ahead.min(length - ahead)
    };
    for tab in told {
        let lifted = 0.5 * (tab.neck + profile.cutter_diameter);
        let within = lifted - SHORTER_MM;
        let over = [-within, 0.0, within].map(|d| low(tab.along + d));
        let stays = over.iter().all(|z| (z - tab.top).abs() <= LEVEL_MM);
        let ends = [-1.0, 1.0].into_iter().all(|side| {
            let end = tab.along + side * (lifted + WIDER_MM);
            // Another tab may begin there.
            let another = told.iter().any(|t| t != tab && away(t, end) <= reach(t));
            low(end) < tab.top - LEVEL_MM || another
        });
        // One tab is told once.
        let once = told.iter().filter(|t| away(t, tab.along) < t.neck).count() == 1;
        if !stays || !ends || !once {
            let place = path.at_length(tab.along.rem_euclid(length));
            let place = place.map_or(String::new(), |(p, _)| {
                format!(" at ({}, {})", mm(p.x), mm(p.y))
            });
            return Some(format!(
                "The tab that is told of {}{place} does not stay there, or not as large.",
                view.feature
            ));
        }
    }
    let under = |along: f64| told.iter().any(|t| away(t, along) <= reach(t));
    let samples = (length / STEP_MM).floor() as usize;
    let untold = (0..samples)
        .map(|i| i as f64 * STEP_MM)
        .any(|s| !under(s) && low(s) > floor + LIFTED_MM);
    untold.then(|| format!("A tab of {} stays that is not told.", view.feature))
}
