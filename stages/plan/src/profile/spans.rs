//! Where tabs may sit on the last path of a cut.
//!
//! Never on a relief, where another feature meets the edge, on a joint face, near a corner, or on a tight curve (design, section 6).
//! A span holds a tab's neck; the cutter's radius beyond either end is kept free as well, since the cutter is lifted that far and
//! the bridge is that wide at the part.

use grainway_geom::{Contour, Measured, Point, Segment, SegmentIndex};
use grainway_pipeline::work::{SizedFeature, TabSpan};

/// A turn of less than this is no corner, radians: a drawing's own noise.
const CORNER_TURN: f64 = 0.17;
/// Two pieces that meet at less than this turn are one edge, radians.
const SMOOTH_TURN: f64 = 0.09;
/// How densely the path is looked at for features that meet the edge, mm.
const LOOK_EVERY_MM: f64 = 1.0;
/// A feature nearer to the edge than this meets it, mm: a thinner wall would break with the tab.
const MOUTH_WALL_MM: f64 = 2.0;
/// Where nothing says what an edge is: straight edges at an inside corner that are at most this long are cheeks or the bottoms of
/// notches, mm; longer ones are the part's own edges, unless they are the shoulders of what stands out between two such cheeks.
/// Common practice, no source.
const JOINT_FACE_MM: f64 = 120.0;
/// Cheeks run against each other within this, as a scalar product of their directions.
const AGAINST: f64 = -0.99;
/// Necks for which room is looked for, mm: elsewhere, and on edges along the grain, where tabs are weak (common practice, no source).
const NECK_MM: [f64; 2] = [8.0, 12.0];
/// Normals of edges that hold from opposite sides have at most this scalar product.
const OPPOSITE: f64 = -0.5;
/// Wood between two lifted lengths on one edge, mm.
const BETWEEN_TABS_MM: f64 = 20.0;
/// Distances from corners that are tried when the wanted one leaves too few places, mm; the least one keeps the lifted cutter off
/// the corner itself.
const CLOSER_MM: [f64; 3] = [15.0, 8.0, 4.0];

/// What the spans depend on.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// The last path.
    pub path: &'a Contour,
    /// Its wall: the outline or the opening's edge.
    pub wall: &'a Contour,
    /// What is inside is kept.
    pub keeps_inside: bool,
    /// Cutter's radius, mm.
    pub r: f64,
    /// Distance from corners, mm.
    pub corner_mm: f64,
    /// Curves need a radius of at least this, mm.
    pub curve_mm: f64,
    /// What else is cut into the part.
    pub others: &'a [&'a SizedFeature],
    /// The part has a grain, along x.
    pub grain: bool,
    /// The job describes the outline as a rectangle with tenons: whatever meets an inside corner is a shoulder or a cheek.
    pub tenons: bool,
}

/// Spans, and how they came about.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answer {
    /// By length along the path, sorted.
    pub spans: Vec<TabSpan>,
    /// The distance from corners that had to be taken instead of the wanted one, mm.
    pub corner_mm: Option<f64>,
    /// Tabs sit on a curve tighter than wanted, since there is no other place.
    pub tight_curve: bool,
}

/// Where tabs may sit. When the wanted distance from corners leaves fewer than three places, or all on one line, smaller ones are
/// tried; when there is no straight and no wide curve at all, tight curves.
pub fn tab_spans(q: &Question) -> Answer {
    let fixed = fixed_exclusions(q);
    let path = Path {
        pieces: pieces(q.path),
        measured: q.path.measured(),
        wall_left: wall_left(q),
    };
    let mut best = Answer::default();
    let mut most = 0;
    for (i, curve_mm) in [q.curve_mm, 0.5 * q.curve_mm, q.r].into_iter().enumerate() {
        for corner_mm in std::iter::once(q.corner_mm).chain(CLOSER_MM) {
            if corner_mm > q.corner_mm {
                continue;
            }
            let spans = spans_at(q, &path, corner_mm, curve_mm, &fixed);
            let fit = places(&spans, q.r);
            let places = if opposite(&path, &spans) {
                fit
            } else {
                fit.min(1)
            };
            if places > most {
                most = places;
                best = Answer {
                    spans,
                    corner_mm: (corner_mm < q.corner_mm).then_some(corner_mm),
                    tight_curve: i > 0,
                };
            }
            if most >= 3 {
                return best;
            }
        }
        if most > 0 {
            break;
        }
    }
    best
}

fn neck(long_grain: bool) -> f64 {
    NECK_MM[usize::from(long_grain)]
}

/// The path as it is asked about again and again.
struct Path {
    /// With the length at which each starts.
    pieces: Vec<(Segment, f64)>,
    measured: Measured,
    wall_left: bool,
}

impl Path {
    fn length(&self) -> f64 {
        self.pieces.iter().map(|p| p.0.length()).sum()
    }
}

/// How many tabs fit.
fn places(spans: &[TabSpan], r: f64) -> usize {
    spans
        .iter()
        .map(|s| {
            let pitch = neck(s.long_grain) + 2.0 * r + BETWEEN_TABS_MM;
            ((s.to - s.from + 2.0 * r + BETWEEN_TABS_MM + 1e-9) / pitch).floor() as usize
        })
        .sum()
}

/// Two places of the spans hold from opposite sides, so that tabs make no hinge.
fn opposite(path: &Path, spans: &[TabSpan]) -> bool {
    let length = path.length().max(1e-9);
    let ways: Vec<Point> = spans
        .iter()
        .flat_map(|s| [s.from, 0.5 * (s.from + s.to), s.to])
        .filter_map(|s| path.measured.at_length(s.rem_euclid(length)))
        .map(|(_, d)| d)
        .collect();
    ways.iter()
        .any(|a| ways.iter().any(|b| a.dot(*b) < OPPOSITE))
}

/// Pieces of the path with the length at which each starts.
fn pieces(path: &Contour) -> Vec<(Segment, f64)> {
    let mut start = 0.0;
    path.segments()
        .filter(|s| s.length() > 0.0)
        .map(|s| {
            let piece = (s, start);
            start += s.length();
            piece
        })
        .collect()
}

/// The wall lies left of the direction of travel.
fn wall_left(q: &Question) -> bool {
    (q.path.area() > 0.0) == q.keeps_inside
}

/// Radius of the wall beside an arc of the path; 0 where a corner is rolled.
fn wall_radius(q: &Question, wall_left: bool, radius: f64, sweep: f64) -> f64 {
    if (sweep > 0.0) == wall_left {
        (radius - q.r).max(0.0)
    } else {
        radius + q.r
    }
}

/// Lengths where other features meet the edge or where it is a joint face; these never give way.
fn fixed_exclusions(q: &Question) -> Vec<(f64, f64)> {
    let faces = joint_faces(q);
    let wall = SegmentIndex::new(q.wall.segments());
    let grown = MOUTH_WALL_MM + 1.0;
    let mouths: Vec<_> = q
        .others
        .iter()
        .map(|f| (f.region(), f.shape.bounds().grown(grown)))
        .collect();
    let side = if wall_left(q) { 1.0 } else { -1.0 };
    let mut out: Vec<(f64, f64)> = Vec::new();
    for (s, start) in pieces(q.path) {
        let n = (s.length() / LOOK_EVERY_MM).ceil().max(1.0);
        for i in 0..=n as usize {
            let t = i as f64 / n;
            let Some(d) = s.direction(t) else { continue };
            let p = s.at(t) + d.left() * (side * q.r);
            let on_face = wall
                .nearest(p, 0.1)
                .is_some_and(|(_, _, segment)| faces.get(segment).copied().unwrap_or(false));
            let at_mouth = || {
                mouths.iter().any(|(region, bounds)| {
                    bounds.contains(p) && (region.contains(p) || region.distance(p) < MOUTH_WALL_MM)
                })
            };
            if on_face || at_mouth() {
                let along = start + t * s.length();
                match out.last_mut() {
                    Some(last) if last.1 >= along - LOOK_EVERY_MM => last.1 = along + LOOK_EVERY_MM,
                    _ => out.push((along - LOOK_EVERY_MM, along + LOOK_EVERY_MM)),
                }
            }
        }
    }
    out
}

/// Which of the outline's pieces are joint faces: shoulders, cheeks, the bottoms of notches. All are straights that meet an inside
/// corner. An opening's edges all meet inside corners and are none.
fn joint_faces(q: &Question) -> Vec<bool> {
    let walls: Vec<Segment> = q.wall.segments().collect();
    if !q.keeps_inside {
        return vec![false; walls.len()];
    }
    let n = walls.len();
    let straight = |i: usize| matches!(walls[i % n], Segment::Line { .. });
    let short = |i: usize| walls[i % n].length() <= JOINT_FACE_MM;
    // The piece and the next one meet at an inside corner.
    let inside_turn = |i: usize| {
        let (a, b) = (&walls[i % n], &walls[(i + 1) % n]);
        a.direction(1.0)
            .zip(b.direction(0.0))
            .is_some_and(|(u, v)| u.cross(v) < -CORNER_TURN.sin())
    };
    let mut faces: Vec<bool> = (0..n)
        .map(|i| {
            straight(i) && (q.tenons || short(i)) && (inside_turn(i) || inside_turn(i + n - 1))
        })
        .collect();
    // What stands out between two cheeks is a tenon; the pieces before the first and behind the second cheek are its shoulders.
    for first in (0..n).filter(|i| inside_turn(i + n - 1) && straight(*i) && short(*i)) {
        let Some(second) = (first + 1..first + n).find(|i| inside_turn(*i)) else {
            continue;
        };
        let against = walls[first]
            .direction(0.0)
            .zip(walls[second % n].direction(0.0))
            .is_some_and(|(u, v)| u.dot(v) < AGAINST);
        if against && straight(second) && short(second) {
            for shoulder in [first + n - 1, second + 1] {
                faces[shoulder % n] |= straight(shoulder);
            }
        }
    }
    faces
}

/// Spans at these distances, where nothing is in the way.
fn spans_at(
    q: &Question,
    path: &Path,
    corner_mm: f64,
    curve_mm: f64,
    fixed: &[(f64, f64)],
) -> Vec<TabSpan> {
    let (pieces, length) = (&path.pieces, path.length());
    if pieces.is_empty() || length <= 0.0 {
        return Vec::new();
    }
    let mut no = fixed.to_vec();
    let mut cuts: Vec<f64> = Vec::new();
    for (i, (s, start)) in pieces.iter().enumerate() {
        let end = start + s.length();
        if let Segment::Arc {
            radius,
            sweep,
            centre,
            a,
            ..
        } = *s
        {
            let wall = wall_radius(q, path.wall_left, radius, sweep);
            if wall < curve_mm - 1e-9 {
                let away = if sweep.abs() > CORNER_TURN {
                    corner_mm
                } else {
                    0.0
                };
                no.push((start - away, end + away));
            }
            cuts.extend(grain_changes(centre, a, sweep).map(|share| start + share * s.length()));
        }
        let next = &pieces[(i + 1) % pieces.len()].0;
        let turn = s
            .direction(1.0)
            .zip(next.direction(0.0))
            .map_or(0.0, |(u, v)| u.cross(v).atan2(u.dot(v)).abs());
        if turn > CORNER_TURN {
            no.push((end - corner_mm, end + corner_mm));
        } else if turn > SMOOTH_TURN || along_grain(s, 1.0) != along_grain(next, 0.0) {
            cuts.push(end);
        }
    }
    free(length, &no, &cuts)
        .into_iter()
        .filter_map(|(from, to)| {
            let middle = (0.5 * (from + to)).rem_euclid(length);
            let middle = path.measured.at_length(middle);
            let long_grain = q.grain && middle.is_some_and(|(_, d)| d.x.abs() > d.y.abs());
            let whole = to - from >= length - 1e-9;
            let (from, to) = if whole {
                (from, to)
            } else {
                (from + q.r, to - q.r)
            };
            (to - from >= neck(long_grain) - 1e-9).then_some(TabSpan {
                from: from.rem_euclid(length),
                to: from.rem_euclid(length) + (to - from),
                long_grain,
            })
        })
        .collect()
}

fn along_grain(s: &Segment, t: f64) -> bool {
    s.direction(t).is_some_and(|d| d.x.abs() > d.y.abs())
}

/// Shares of an arc at which it turns from along the grain to across, at 45°.
fn grain_changes(centre: Point, a: Point, sweep: f64) -> impl Iterator<Item = f64> {
    let from = (a - centre).angle();
    (0..4).filter_map(move |k| {
        let angle = std::f64::consts::FRAC_PI_4 + f64::from(k) * std::f64::consts::FRAC_PI_2;
        let turn = if sweep > 0.0 {
            angle - from
        } else {
            from - angle
        }
        .rem_euclid(std::f64::consts::TAU);
        let share = turn / sweep.abs();
        (share > 0.0 && share < 1.0).then_some(share)
    })
}

/// What is left of a closed path of this length when intervals are taken out and it is cut at places. Intervals that run over the
/// start come out with `to` beyond the length.
fn free(length: f64, no: &[(f64, f64)], cuts: &[f64]) -> Vec<(f64, f64)> {
    let mut marks: Vec<(f64, f64)> = Vec::new();
    for (a, b) in no.iter().copied().chain(cuts.iter().map(|c| (*c, *c))) {
        if b - a >= length {
            return Vec::new();
        }
        let from = a.rem_euclid(length);
        marks.push((from, from + (b - a)));
    }
    marks.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.total_cmp(&y.1)));
    let Some(first) = marks.first().copied() else {
        return vec![(0.0, length)];
    };
    let mut out = Vec::new();
    // Marks that run over the start cover what lies before the first one.
    let mut covered = marks.iter().map(|m| m.1 - length).fold(first.0, f64::max);
    for (from, to) in &marks {
        if *from > covered + 1e-9 {
            out.push((covered, *from));
        }
        covered = covered.max(*to);
    }
    if covered < first.0 + length - 1e-9 {
        out.push((covered, first.0 + length));
    }
    for span in &mut out {
        if span.0 >= length {
            *span = (span.0 - length, span.1 - length);
        }
    }
    out.sort_by(|x, y| x.0.total_cmp(&y.0));
    out
}

/// Curved edges that are cut against the grain (along x): their length in all, mm, and the middle of the longest. The tooth moves
/// against the feed when climbing and with it otherwise; it cuts against the grain where the fibres ahead of it lead into the
/// kept wood.
pub fn against_grain(q: &Question, climb: bool) -> Option<(f64, Point)> {
    /// Slopes within this of the grain or of square to it do not tear (5°).
    const HARMLESS: f64 = 0.087;
    /// Shorter stretches, such as rounded corners have, are sanded anyway, mm.
    const SHORT_MM: f64 = 10.0;
    let wall_left = wall_left(q);
    let out = if wall_left { -1.0 } else { 1.0 };
    let mut total = 0.0;
    let mut longest: Option<(f64, Point)> = None;
    for (s, _) in pieces(q.path) {
        let Segment::Arc { radius, sweep, .. } = s else {
            continue;
        };
        if wall_radius(q, wall_left, radius, sweep) < 1.0 {
            continue;
        }
        let n = (s.length() / LOOK_EVERY_MM).ceil().max(1.0);
        let step = s.length() / n;
        let mut run: Option<(f64, f64)> = None;
        for i in 0..=n as usize {
            let t = (i as f64 + 0.5) / n;
            let against = i < n as usize
                && s.direction(t).is_some_and(|d| {
                    let tooth = if climb { -d } else { d };
                    let normal = d.left() * out;
                    let lean = tooth.x * normal.x;
                    lean < 0.0 && d.x.abs() > HARMLESS && d.y.abs() > HARMLESS
                });
            match (&mut run, against) {
                (Some(r), true) => r.1 = t,
                (None, true) => run = Some((t, t)),
                (Some(r), false) => {
                    let long = (r.1 - r.0) * s.length() + step;
                    if long >= SHORT_MM {
                        total += long;
                    }
                    if long >= SHORT_MM && longest.is_none_or(|(l, _)| long > l + 1e-6) {
                        longest = Some((long, s.at(0.5 * (r.0 + r.1))));
                    }
                    run = None;
                }
                (None, false) => {}
            }
        }
    }
    longest.map(|(_, at)| (total, at))
}
