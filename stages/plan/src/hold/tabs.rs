//! Where tabs go: evenly round the piece, on opposite sides, and only towards waste that is held itself.

use super::board::Board;
use super::{HoldSettings, TAB_LEAST_MM, outline_cuts, paths, tab_top};
use crate::sweep::Sweep;
use grainway_geom::{Contour, Point};
use grainway_pipeline::work::{ProfileCut, Setup, Tab, Variant, ZFrame};
use std::collections::BTreeMap;

/// Candidates lie this far apart along the path, mm.
const STEP_MM: f64 = 4.0;
/// Waste is probed from this far behind the kerf, mm.
const JUST_BEHIND_MM: f64 = 0.5;
/// Shifts of the even pattern that are tried.
const SHIFTS: usize = 16;
/// Two tabs hold from opposite sides when their outward directions differ by more than about 135°.
const OPPOSITE: f64 = -0.7;
/// Wood between the lifted lengths of two tabs at least, mm.
pub(super) const BETWEEN_MM: f64 = 10.0;
/// Seen from the piece's middle, tabs leave no gap wider than this between them, degrees; a half turn is what two opposite ones
/// leave, a three-quarter turn is a hinge.
pub(super) const GAP_DEGREES: f64 = 220.0;
/// Tabs whose middles all lie within this of one line hold like a hinge, mm.
const LINE_MM: f64 = 5.0;
/// A kerf may touch its own edge by so little without being in the way, mm.
pub(super) const TOUCH_MM: f64 = 0.25;

/// A place where a tab may sit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spot {
    /// Middle, by length along the path.
    pub(super) along: f64,
    /// On the path.
    pub(super) at: Point,
    /// Unit direction along the path.
    pub(super) way: Point,
    /// Unit direction from the piece that is cut round.
    pub(super) out: Point,
    /// Width of the neck.
    pub(super) neck: f64,
}

/// What was decided for a piece.
pub(super) enum TabPlan {
    /// Nothing cuts its outline (an error before, or a blank).
    NoOutline,
    /// None that would hold it.
    None {
        /// Why.
        why: String,
    },
    /// Tabs at these places.
    Tabs {
        /// On the path of the last outline cut.
        chosen: Vec<Spot>,
        /// What is not as it should be.
        weak: Option<String>,
    },
}

/// Tabs on the paths of a piece's outline.
pub(super) struct Laid<'a> {
    /// On the last path.
    pub(super) tabs: Vec<Tab>,
    /// For each step that cuts the outline the tabs on its own path.
    pub(super) cuts: Vec<(usize, &'a ProfileCut, Vec<Tab>)>,
}

/// Lays tabs at the chosen places on every path of the piece's outline.
pub(super) fn lay<'b>(board: &Board<'b>, i: usize, top: f64, chosen: &[Spot]) -> Option<Laid<'b>> {
    let cuts: Vec<(usize, &'b ProfileCut)> = outline_cuts(board.variant(i)).collect();
    let &(_, last) = cuts.last()?;
    let tab = |along: f64, neck: f64| Tab { along, neck, top };
    let tabs: Vec<Tab> = chosen.iter().map(|s| tab(s.along, s.neck)).collect();
    let on_path = |other: &'b ProfileCut| {
        if std::ptr::eq(other, last) {
            return tabs.clone();
        }
        // An earlier cutter's path: the same tabs at the nearest places of it.
        let near = chosen.iter().filter_map(|s| {
            let (_, along) = last_path(other)?.nearest(s.at)?;
            Some(tab(along, s.neck))
        });
        near.collect()
    };
    Some(Laid {
        cuts: cuts
            .iter()
            .map(|&(step, cut)| (step, cut, on_path(cut)))
            .collect(),
        tabs,
    })
}

/// The wanted figures of tabs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Want {
    pub(super) least: usize,
    pub(super) spacing: f64,
    pub(super) cutter: f64,
}

impl Want {
    /// For the outline of a piece.
    pub(super) fn of(settings: &HoldSettings, cut: &ProfileCut) -> Want {
        Want {
            least: settings.tabs_least.max(1) as usize,
            spacing: settings.tab_spacing.mm(),
            cutter: cut.cutter_diameter,
        }
    }
}

/// Plans tabs piece by piece; copies of a variant get the same tabs wherever their neighbours allow it.
pub(super) struct Planner<'s> {
    settings: &'s HoldSettings,
    spots: BTreeMap<String, Vec<Spot>>,
    /// The tabs of a variant with nothing in their way.
    alone: BTreeMap<String, Vec<Spot>>,
}

impl<'s> Planner<'s> {
    pub(super) fn new(settings: &'s HoldSettings) -> Planner<'s> {
        Planner {
            settings,
            spots: BTreeMap::new(),
            alone: BTreeMap::new(),
        }
    }
    /// All places on the piece's outline where the profile stage allows tabs.
    pub(super) fn spots(&mut self, variant: &Variant, cut: &ProfileCut) -> Vec<Spot> {
        let settings = self.settings;
        let all = self.spots.entry(variant.id.clone());
        all.or_insert_with(|| spots(cut, settings)).clone()
    }
    /// The tabs of one piece.
    pub(super) fn piece(&mut self, board: &Board<'_>, i: usize, setup: &Setup) -> TabPlan {
        let variant = board.variant(i);
        let Some((_, cut)) = outline_cuts(variant).last() else {
            return TabPlan::NoOutline;
        };
        if tab_top(&setup.z, self.settings.tab_height.mm()).is_none() {
            let thin = setup.z.thinnest;
            return TabPlan::None {
                why: format!(
                    "the wood is only {thin:.2} mm thick, and a tab of {TAB_LEAST_MM} mm leaves nothing to cut"
                ),
            };
        }
        let settings = self.settings;
        let all = self.spots(variant, cut);
        let want = Want::of(settings, cut);
        let length = last_path(cut).map_or(0.0, Contour::length);
        let alone = self
            .alone
            .entry(variant.id.clone())
            .or_insert_with(|| choose(&all, length, &want));
        let held = |s: &Spot| held_behind(board, i, cut, s, settings);
        let chosen = if !alone.is_empty() && alone.iter().all(held) {
            alone.clone()
        } else {
            let free: Vec<Spot> = all.iter().copied().filter(held).collect();
            choose(&free, length, &want)
        };
        if chosen.is_empty() {
            let why = if all.is_empty() {
                "no straight length of its edge is clear of corners, joints and pockets"
            } else {
                "all waste round it is too narrow or belongs to a neighbour's kerf"
            };
            return TabPlan::None {
                why: why.to_string(),
            };
        }
        if !holds_all_round(&chosen, last_path(cut)) {
            return TabPlan::None {
                why: "they would find place on one side only and act as a hinge".to_string(),
            };
        }
        let weak = (chosen.len() < want.least).then(|| {
            format!(
                "only {} of {} find a place; they stand on opposite sides",
                chosen.len(),
                want.least
            )
        });
        TabPlan::Tabs { chosen, weak }
    }
}

/// The path on which tabs are counted.
pub(super) fn last_path(cut: &ProfileCut) -> Option<&Contour> {
    cut.loops.last().map(|l| &l.path)
}

/// All places on a cut's path where the profile stage allows tabs.
pub(super) fn spots(cut: &ProfileCut, settings: &HoldSettings) -> Vec<Spot> {
    let Some(path) = last_path(cut) else {
        return Vec::new();
    };
    let (length, measured) = (path.length(), path.measured());
    let counter_clockwise = path.area() > 0.0;
    let mut spots = Vec::new();
    for span in &cut.tab_spans {
        // A span holds the whole lifted length. Where the longer neck of edges along the grain does not fit, the usual one may.
        let fits = |neck: f64| span.to - span.from >= neck + cut.cutter_diameter - 1e-6;
        let usual = settings.tab_neck.mm();
        let long = settings.tab_neck_long_grain.mm();
        let neck = if span.long_grain && fits(long) {
            long
        } else {
            usual
        };
        if !fits(neck) {
            continue;
        }
        let half = (neck + cut.cutter_diameter) / 2.0;
        let (from, to) = (span.from + half, (span.to - half).max(span.from + half));
        let n = ((to - from) / STEP_MM).ceil().max(1.0) as usize;
        for k in 0..=n {
            // The middle of a span is among its places, so that a short edge gets its tab in the middle.
            let along = (from + (to - from) * k as f64 / n as f64).rem_euclid(length);
            if let Some((at, way)) = measured.at_length(along) {
                let right = -way.left();
                let out = if counter_clockwise { right } else { way.left() };
                spots.push(Spot {
                    along,
                    at,
                    way,
                    out,
                    neck,
                });
            }
        }
    }
    spots.sort_by(|a, b| a.along.total_cmp(&b.along));
    spots.dedup_by(|a, b| (a.along - b.along).abs() < 1e-9);
    spots
}

/// Behind the kerf there is waste enough, on the board, and of nobody's kerf or wood.
pub(super) fn held_behind(
    board: &Board<'_>,
    piece: usize,
    cut: &ProfileCut,
    spot: &Spot,
    settings: &HoldSettings,
) -> bool {
    let placing = board.placing(piece);
    let need = spot.neck.max(settings.strip_least.mm());
    let kerf = kerf_at(cut, spot);
    if !board.held(piece, spot.at + spot.out * (kerf + need / 2.0)) {
        return false;
    }
    let variant = board.variant(piece);
    let own_outline = |p: usize, step: usize| {
        p == piece && variant.steps[step].operation == grainway_pipeline::work::Operation::Outline
    };
    [JUST_BEHIND_MM, need / 2.0, need].into_iter().all(|deep| {
        [-0.5, 0.0, 0.5].into_iter().all(|share| {
            let local = spot.at + spot.out * (kerf + deep) + spot.way * (share * spot.neck);
            let q = placing.point(local);
            board.edge_distance(q) >= 0.0
                && board.piece_at(q).is_none()
                && board.clearance(q, TOUCH_MM, &|p, s, _| own_outline(p, s)) >= TOUCH_MM - 1e-9
                && board.clearance(q, 0.1, &|p, s, _| !own_outline(p, s)) > 0.0
        })
    })
}

/// How far the kerf reaches beyond the cutter's centre at a place, mm: farther where it is widened by further loops.
pub(super) fn kerf_at(cut: &ProfileCut, spot: &Spot) -> f64 {
    let beside = paths(cut).map(|p| p.distance(spot.at));
    beside.fold(0.0, f64::max).min(cut.cutter_diameter) + cut.cutter_diameter / 2.0
}

/// Places for tabs in a cutout's waste: the waste behind must be thick enough.
pub(super) fn spots_into_waste(
    cut: &ProfileCut,
    own: &Sweep,
    settings: &HoldSettings,
) -> Vec<Spot> {
    let all = spots(cut, settings);
    let need = settings.strip_least.mm();
    all.into_iter()
        .map(|s| Spot {
            // The waste lies inside of the path.
            out: -s.out,
            ..s
        })
        .filter(|s| {
            let kerf = paths(cut).map(|p| p.distance(s.at)).fold(0.0, f64::max)
                + cut.cutter_diameter / 2.0;
            [JUST_BEHIND_MM, need / 2.0, need].into_iter().all(|deep| {
                let q = s.at + s.out * (kerf + deep);
                own.clearance(q, TOUCH_MM, &|_, _| true) >= TOUCH_MM - 1e-9
            })
        })
        .collect()
}

/// Picks tabs from the places: evenly along the path, never too near each other, then what is missing on the opposite side.
pub(super) fn choose(spots: &[Spot], length: f64, want: &Want) -> Vec<Spot> {
    if spots.is_empty() || length <= 0.0 {
        return Vec::new();
    }
    let choice = Choice {
        spots,
        length,
        cutter: want.cutter,
    };
    let n = want.least.max((length / want.spacing).ceil() as usize);
    let mut picked = choice.even(n);
    if picked.is_empty() {
        picked.extend(spots.first());
    }
    if !opposite(&picked) {
        let other = choice.most_opposite(&picked);
        picked.extend(other);
    }
    // Fewer than wanted, or all in a line: the places farthest from those taken.
    while picked.len() < want.least || in_line(&picked) {
        match choice.farthest(&picked) {
            Some(s) => picked.push(s),
            None => break,
        }
    }
    picked.sort_by(|a, b| a.along.total_cmp(&b.along));
    picked
}

/// The places along a path to pick tabs from.
struct Choice<'s> {
    spots: &'s [Spot],
    /// Of the path, mm.
    length: f64,
    /// Diameter of the cutter, mm.
    cutter: f64,
}

impl Choice<'_> {
    /// Distance of two places along the closed path, mm.
    fn round(&self, a: f64, b: f64) -> f64 {
        let d = (a - b).rem_euclid(self.length);
        d.min(self.length - d)
    }
    /// The places far enough from all that are picked.
    fn apart<'p>(&'p self, picked: &'p [Spot]) -> impl Iterator<Item = &'p Spot> {
        self.spots.iter().filter(move |s| {
            picked.iter().all(|p| {
                self.round(p.along, s.along) >= (p.neck + s.neck) / 2.0 + self.cutter + BETWEEN_MM
            })
        })
    }
    /// The places nearest to `n` even ones; of several shifts of these the one that lacks least, then fits best.
    fn even(&self, n: usize) -> Vec<Spot> {
        let pitch = self.length / n as f64;
        let middle = spots_middle(self.spots);
        let mut best: Option<(usize, f64, Vec<Spot>)> = None;
        for shift in 0..SHIFTS {
            let offset = pitch * shift as f64 / SHIFTS as f64;
            let mut picked: Vec<Spot> = Vec::new();
            let mut cost = 0.0;
            for k in 0..n {
                let wanted = offset + pitch * k as f64;
                let near = self
                    .apart(&picked)
                    .map(|s| (self.round(s.along, wanted), *s))
                    .filter(|(d, _)| *d <= 0.75 * pitch)
                    .min_by(|a, b| a.0.total_cmp(&b.0));
                if let Some((d, s)) = near {
                    cost += d * d;
                    picked.push(s);
                }
            }
            let missing = n - picked.len()
                + usize::from(!opposite(&picked))
                + usize::from(in_line(&picked))
                + usize::from(widest_gap(&picked, middle) > GAP_DEGREES);
            if best
                .as_ref()
                .is_none_or(|(m, c, _)| missing < *m || (missing == *m && cost < *c - 1e-9))
            {
                best = Some((missing, cost, picked));
            }
        }
        best.map(|(_, _, p)| p).unwrap_or_default()
    }
    /// What holds from the other side, as far as it can be had.
    fn most_opposite(&self, picked: &[Spot]) -> Option<Spot> {
        self.apart(picked)
            .map(|s| {
                let least = picked
                    .iter()
                    .map(|p| p.out.dot(s.out))
                    .fold(f64::INFINITY, f64::min);
                (least, *s)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(d, _)| *d < OPPOSITE)
            .map(|(_, s)| s)
    }
    /// The place farthest from those that are picked; of equals the first.
    fn farthest(&self, picked: &[Spot]) -> Option<Spot> {
        self.apart(picked)
            .map(|s| {
                let d = picked
                    .iter()
                    .map(|p| p.at.distance(s.at))
                    .fold(f64::INFINITY, f64::min);
                (d, *s)
            })
            .fold(None, |best: Option<(f64, Spot)>, c| match best {
                Some(b) if b.0 >= c.0 => Some(b),
                _ => Some(c),
            })
            .map(|(_, s)| s)
    }
}

/// The middle of the box round all places.
fn spots_middle(spots: &[Spot]) -> Point {
    grainway_geom::Bounds::of(spots.iter().map(|s| s.at)).centre()
}

/// The widest angle in which there is no tab, seen from `middle`, degrees.
pub(super) fn widest_gap(spots: &[Spot], middle: Point) -> f64 {
    let mut angles: Vec<f64> = spots.iter().map(|s| (s.at - middle).angle()).collect();
    angles.sort_by(f64::total_cmp);
    let turn = std::f64::consts::TAU;
    let Some(&first) = angles.first() else {
        return 360.0;
    };
    angles
        .iter()
        .zip(angles.iter().skip(1).copied().chain([first + turn]))
        .map(|(a, b)| (b - a).to_degrees())
        .fold(0.0, f64::max)
}

/// Tabs on opposite sides, not in one line, and none of them far from the rest of the piece.
pub(super) fn holds_all_round(spots: &[Spot], path: Option<&Contour>) -> bool {
    let middle = path.map_or_else(|| spots_middle(spots), |p| p.bounds().centre());
    opposite(spots) && !in_line(spots) && widest_gap(spots, middle) <= GAP_DEGREES
}

/// At least two of them hold from opposite sides.
pub(super) fn opposite(spots: &[Spot]) -> bool {
    spots
        .iter()
        .enumerate()
        .any(|(i, a)| spots[i + 1..].iter().any(|b| a.out.dot(b.out) < OPPOSITE))
}

/// Three or more lie in one line, so that the piece could swing about it. Two opposite ones always lie in a line and are judged
/// by their sides alone.
pub(super) fn in_line(spots: &[Spot]) -> bool {
    if spots.len() < 3 {
        return false;
    }
    let mut far = (spots[0].at, spots[0].at);
    for a in spots {
        for b in spots {
            if a.at.distance(b.at) > far.0.distance(far.1) {
                far = (a.at, b.at);
            }
        }
    }
    let Some(along) = (far.1 - far.0).normalized() else {
        return true;
    };
    spots
        .iter()
        .all(|s| along.cross(s.at - far.0).abs() < LINE_MM)
}

/// Tabs of a choice.
pub(super) fn as_tabs(spots: &[Spot], z: &ZFrame, height: f64) -> Option<Vec<Tab>> {
    let top = tab_top(z, height)?;
    Some(
        spots
            .iter()
            .map(|s| Tab {
                along: s.along,
                neck: s.neck,
                top,
            })
            .collect(),
    )
}
