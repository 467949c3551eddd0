//! Clearing all of an opening's waste, where a loose piece would be too small to hold.
//!
//! Rings from the middle outwards at every level, so that what still stands is always part of the part; the cut along the
//! opening's edge comes last and finds nothing inside any more.

use super::CLEAR_MM;
use crate::profile_moves::profile_moves;
use grainway_geom::{Capsule, Contour, Notes, Point, PolySet, Region, Segment, insets, swept};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{ProfileCut, SetupStep, SizedFeature, Variant};

/// Distance of the rings in diameters (docs/practice.md, section Cutting), and what is tried where corners keep something standing.
const STEPOVERS: [f64; 3] = [0.4, 0.25, 0.12];
/// A ring is reached without lifting when it starts within this many ring distances.
const LINK: f64 = 1.6;
/// What may stay standing inside, mm²: less than this is dust.
const DUST_MM2: f64 = 0.05;
/// Chords of the check deviate by this much, mm.
const CHECK_MM: f64 = 0.005;
/// A ring shorter than this is a point: the cutter goes straight down slowly, mm.
const POINT_MM: f64 = 0.5;
/// More laps than this on a ramp are not made; the ramp gets steeper instead.
const MOST_LAPS: f64 = 30.0;

/// The step that takes the place of the cutout's own, and its moves; `None` when the region cannot be cleared.
pub(super) fn clearing(
    variant: &Variant,
    feature: &SizedFeature,
    step: usize,
    cut: &ProfileCut,
) -> Option<(SetupStep, Vec<Move>)> {
    let own = variant.steps.get(step)?;
    let top = variant.z.highest_top();
    let clear = top + CLEAR_MM;
    let passes = &cut.loops.iter().find(|l| !l.finishing)?.passes;
    let edge = profile_moves(cut, &[], clear);
    let rings = rings(&feature.region(), cut)?;
    let mut runner = Runner {
        cut,
        clear,
        moves: Vec::new(),
        at: None,
    };
    let mut above = top;
    for &z in passes {
        runner.level(&rings, above, z);
        above = z;
    }
    runner.lift();
    let mut moves = runner.moves;
    moves.extend(edge);
    Some((
        SetupStep {
            stage: super::HOLD.to_string(),
            label: format!(
                "clear {} wholly, its waste is too small to hold",
                feature.key
            ),
            operation: own.operation,
            cutter: own.cutter.clone(),
            rpm: own.rpm,
            feed: own.feed,
            plunge: own.plunge,
            lowest: own.lowest,
            moves: own.moves.clone(),
            allowed: Vec::new(),
        },
        moves,
    ))
}

/// Rings that clear the inside, the innermost first, with their distance from each other. `None` when some of it would stay.
fn rings(region: &Region, cut: &ProfileCut) -> Option<Rings> {
    let radius = cut.cutter_diameter / 2.0;
    STEPOVERS.into_iter().find_map(|share| {
        let pitch = share * cut.cutter_diameter;
        let mut notes = Notes::default();
        let levels = insets(region, radius + pitch, pitch, &mut notes);
        let contours: Vec<Contour> = levels
            .into_iter()
            .rev()
            .flatten()
            .flat_map(|r| std::iter::once(r.outer).chain(r.holes))
            .filter(|c| !c.is_empty())
            .collect();
        let found = Rings { contours, pitch };
        (left_standing(region, cut, &found) <= DUST_MM2).then_some(found)
    })
}

struct Rings {
    contours: Vec<Contour>,
    pitch: f64,
}

/// Area inside the opening that neither the rings nor the cut along the edge sweep, corners of the opening itself left aside.
fn left_standing(region: &Region, cut: &ProfileCut, rings: &Rings) -> f64 {
    let radius = cut.cutter_diameter / 2.0;
    let capsule = |s: Segment| Capsule { segment: s, radius };
    let capsules: Vec<Capsule> = rings
        .contours
        .iter()
        .chain(cut.loops.iter().map(|l| &l.path))
        .flat_map(|c| c.segments().map(capsule).collect::<Vec<_>>())
        .collect();
    // What the edge's own cut leaves in the opening's corners stays part of the part.
    let inside = PolySet::from_regions(std::slice::from_ref(region), CHECK_MM)
        .opening(radius - CHECK_MM)
        .offset(-CHECK_MM);
    inside.difference(&swept(&capsules)).area()
}

struct Runner<'a> {
    cut: &'a ProfileCut,
    clear: f64,
    moves: Vec<Move>,
    at: Option<Point>,
}

impl Runner<'_> {
    fn lift(&mut self) {
        if let Some(at) = self.at.take() {
            self.moves.push(Move::rapid(at.at_z(SAFE_Z)));
        }
    }
    /// All rings at one level; `above` is the floor that the level before left.
    fn level(&mut self, rings: &Rings, above: f64, z: f64) {
        self.lift();
        for ring in &rings.contours {
            let here = self.at.and_then(|at| {
                let (start, along) = ring.nearest(at)?;
                (start.distance(at) <= LINK * rings.pitch).then_some((start, along))
            });
            match here {
                Some((start, along)) => {
                    self.moves.push(Move::line(start.at_z(z), self.cut.feed));
                    self.lap(ring, along, z, z, self.cut.feed, ring.length());
                    self.at = Some(start);
                }
                None => {
                    self.lift();
                    self.enter(ring, above, z);
                }
            }
        }
    }
    /// Down onto a ring by a ramp along it, then once round.
    fn enter(&mut self, ring: &Contour, above: f64, z: f64) {
        let Some(start) = ring.start() else { return };
        let length = ring.length();
        self.moves.push(Move::rapid(start.at_z(SAFE_Z)));
        self.moves.push(Move::rapid(start.at_z(self.clear)));
        self.moves
            .push(Move::line(start.at_z(above), self.cut.plunge));
        self.at = Some(start);
        if length < POINT_MM {
            self.moves.push(Move::line(start.at_z(z), self.cut.plunge));
            return;
        }
        let slope = self.cut.ramp.clamp(0.005, 0.8).tan();
        let ramp = ((above - z) / slope).min(MOST_LAPS * length);
        let end = self.lap(ring, 0.0, above, z, self.cut.plunge, ramp);
        // The lap at full depth takes the ramp's wedge away and ends where the ramp did.
        self.lap(ring, end, z, z, self.cut.feed, length);
        self.at = ring.at_length(end).map(|(p, _)| p).or(Some(start));
    }
    /// Along a closed ring from `along` for `total` mm, the height changing evenly; gives the length at which it ends.
    fn lap(
        &mut self,
        ring: &Contour,
        along: f64,
        from: f64,
        to: f64,
        feed: f64,
        total: f64,
    ) -> f64 {
        let length = ring.length();
        let pieces: Vec<(Segment, f64)> = ring
            .segments()
            .filter(|s| s.length() > 0.0)
            .scan(0.0, |before, s| {
                let start = *before;
                *before += s.length();
                Some((s, start))
            })
            .collect();
        if pieces.is_empty() || total <= 0.0 {
            return along;
        }
        let mut done = 0.0;
        let mut z = from;
        let first = pieces
            .iter()
            .rposition(|(_, start)| *start <= along.rem_euclid(length) + SAME_MM)
            .unwrap_or(0);
        let mut index = first;
        let mut here = along.rem_euclid(length).max(pieces[first].1);
        while total - done > SAME_MM {
            let (piece, start) = &pieces[index];
            let left = start + piece.length() - here;
            if left > SAME_MM {
                let step = left.min(total - done);
                let share = |v: f64| ((v - start) / piece.length()).clamp(0.0, 1.0);
                let way = piece.piece(share(here), share(here + step));
                done += step;
                let next = if total - done <= SAME_MM {
                    to
                } else {
                    from + (to - from) * done / total
                };
                self.moves.push(match way {
                    Segment::Line { b, .. } => Move::line(b.at_z(next), feed),
                    Segment::Arc { centre, sweep, .. } => Move::Arc {
                        centre,
                        sweep,
                        dz: next - z,
                        feed,
                    },
                });
                z = next;
                here += step;
                if step < left {
                    break;
                }
            }
            index = (index + 1) % pieces.len();
            here = pieces[index].1;
        }
        here.rem_euclid(length)
    }
}

/// Lengths along a ring closer than this are the same place, mm.
const SAME_MM: f64 = 1e-6;
