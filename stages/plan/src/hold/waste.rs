//! The waste of openings: screws where they fit, tabs where those fit, else all of it to chips.

use super::tabs::{Spot, Want, as_tabs, choose, last_path, opposite, spots_into_waste};
use super::{CLEAR_MM, HoldSettings, chips, paths};
use crate::profile_moves::profile_moves;
use crate::sweep::Sweep;
use grainway_geom::{Bounds, Point, point};
use grainway_pipeline::doc::{Waste, WasteBy};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{
    Operation, ProfileCut, SetupStep, SizedFeature, Tab, Variant, WasteRecord, Work,
};

/// Waste is looked over on a grid of at most this many places.
const MOST_PLACES: f64 = 6_000.0;
/// The grid's step at least, mm.
const LEAST_STEP_MM: f64 = 1.0;
/// Waste nowhere wider than this falls to crumbs, mm.
const CRUMBS_MM: f64 = 0.5;
/// A piece longer than this many times its width swings on one screw (docs/practice.md, section Holding).
const LONG: f64 = 3.0;
/// Screws stand at this share of the length from each end.
const FROM_END: f64 = 0.2;
/// Waste longer than this for each screw gets more, mm (docs/practice.md, section Holding).
const EACH_SCREW_MM: f64 = 450.0;
/// Two screws nearer than this share of the length hold like one.
const APART: f64 = 0.3;
/// Room over the keep-out that a planned screw has, so that its place may be rounded to what a person measures, mm.
const ROUNDING_ROOM_MM: f64 = 0.08;
/// More room than this over the keep-out is not looked for, mm.
const PLENTY_MM: f64 = 15.0;
/// How far a screw may be moved along the waste to stand more in its middle, mm.
const SHIFT_MM: f64 = 8.0;

/// What was decided for one opening.
#[derive(Clone, Debug)]
pub(super) struct Decided {
    pub(super) record: WasteRecord,
    /// Step and its moves with tabs.
    pub(super) tabbed: Option<(usize, Vec<Move>)>,
    /// Step, what takes its place, and that one's moves.
    pub(super) replaced: Option<(usize, SetupStep, Vec<Move>)>,
}

/// All openings of a variant.
pub(super) type VariantWaste = Vec<Decided>;

/// Decides for every opening of a variant. An opening that the cutter parts in several rooms has waste in each.
pub(super) fn plan(
    work: &Work,
    variant: &Variant,
    sweep: &Sweep,
    settings: &HoldSettings,
    findings: &mut Vec<Finding>,
) -> VariantWaste {
    let mut decided = Vec::new();
    for (step, own) in variant.steps.iter().enumerate() {
        let (Some(cut), Some(feature), Some(cutter)) = (
            own.profile.as_ref().filter(|p| !p.keeps_inside),
            variant.features.iter().find(|f| f.key == own.feature),
            work.documents.cutter(&own.cutter),
        ) else {
            continue;
        };
        if own.operation != Operation::Cutout || !feature.through {
            continue;
        }
        let top = variant.z.highest_top();
        let mut own = Sweep::default();
        own.add(step, cutter, &profile_moves(cut, &[], top + CLEAR_MM), top);
        let opening = Opening {
            work,
            variant,
            feature,
            step,
            cut,
            own,
            sweep,
            settings,
        };
        decided.push(opening.decide(findings));
    }
    decided
}

struct Opening<'a> {
    work: &'a Work,
    variant: &'a Variant,
    feature: &'a SizedFeature,
    /// The step that cuts it.
    step: usize,
    /// Its cut.
    cut: &'a ProfileCut,
    /// What that cut sweeps.
    own: Sweep,
    /// What all steps of the variant sweep.
    sweep: &'a Sweep,
    settings: &'a HoldSettings,
}

/// The waste, measured.
struct Slug {
    /// Radius of the largest disc in it, mm.
    half_width: f64,
    length: f64,
    /// Its long direction, and its ends along that.
    axis: Point,
    from: f64,
    to: f64,
    /// Where a screw's keep-out fits, with the room to the nearest cut.
    free: Vec<(Point, f64)>,
}

impl Opening<'_> {
    fn decide(&self, findings: &mut Vec<Finding>) -> Decided {
        let slug = self.slug();
        let wanted = self.feature.waste.as_ref();
        let Some(slug) = slug.filter(|s| 2.0 * s.half_width > CRUMBS_MM) else {
            // The cutter's own path leaves nothing.
            return self.chips(false);
        };
        match wanted {
            Some(Waste {
                by: WasteBy::Chips, ..
            }) => self.chips(true),
            Some(Waste {
                by: WasteBy::Tabs, ..
            }) => self.tabs_only().unwrap_or_else(|| {
                self.instead(findings, "tabs find no place on opposite sides");
                self.chips(true)
            }),
            Some(Waste {
                by: WasteBy::Screws,
                screws_at,
            }) if !screws_at.is_empty() => self.given(&slug, screws_at, findings),
            Some(Waste {
                by: WasteBy::Screws,
                ..
            }) => self.screws(&slug).unwrap_or_else(|| {
                self.instead(findings, "screws with their keep-outs find no place in it");
                self.chips(true)
            }),
            None => self.by_size(&slug, findings),
        }
    }
    /// What practice does with waste of this size.
    fn by_size(&self, slug: &Slug, findings: &mut Vec<Finding>) -> Decided {
        let width = 2.0 * slug.half_width;
        let held = if width < self.settings.strip_least.mm() {
            None
        } else {
            self.screws(slug).or_else(|| self.tabs_only())
        };
        held.unwrap_or_else(|| {
            findings.push(
                Finding::new(
                    &code::WASTE_TO_CHIPS,
                    format!(
                        "The waste of opening {}, {:.1} × {:.1} mm, is too small to be held; all of it is cut to chips.",
                        self.feature.key, slug.length, width
                    ),
                )
                .part(&self.variant.part)
                .feature(&self.feature.key),
            );
            self.chips(true)
        })
    }
    /// Without tabs: the variant's own cut.
    fn plain(&self, record: WasteRecord) -> Decided {
        Decided {
            record,
            tabbed: None,
            replaced: None,
        }
    }
    fn instead(&self, findings: &mut Vec<Finding>, why: &str) {
        findings.push(
            Finding::new(
                &code::WASTE_OTHERWISE,
                format!(
                    "The waste of opening {} cannot be held as asked: {why}. All of it is cut to chips.",
                    self.feature.key
                ),
            )
            .part(&self.variant.part)
            .feature(&self.feature.key),
        );
    }
    fn record(&self, by: WasteBy, screws: Vec<Point>, tabs: Vec<Tab>) -> WasteRecord {
        WasteRecord {
            feature: self.feature.key.clone(),
            by,
            screws,
            tabs,
        }
    }
    /// Room between `p` and the kerf of this opening, mm, at most `within`; negative outside of the waste.
    fn room(&self, p: Point, within: f64) -> f64 {
        let radius = self.cut.cutter_diameter / 2.0;
        if !paths(self.cut).all(|path| path.contains(p)) {
            return -1.0;
        }
        paths(self.cut)
            .map(|path| path.distance(p) - radius)
            .fold(within, f64::min)
    }
    /// What a screw at `p` has beyond its keep-out from every cut of the part, mm; more than enough is not told apart.
    fn spare(&self, p: Point) -> f64 {
        let clear = self.settings.screw_clear();
        let room = self.room(p, clear + PLENTY_MM);
        if room <= 0.0 {
            return room - clear;
        }
        let room = self.own.clearance(p, room, &|_, _| true);
        self.sweep.clearance(p, room, &|step, _| step != self.step) - clear
    }
    fn slug(&self) -> Option<Slug> {
        let inner = paths(self.cut).min_by(|a, b| a.area().abs().total_cmp(&b.area().abs()))?;
        let bounds = inner.bounds();
        if bounds.is_empty() || inner.area().abs() < 1e-3 {
            return None;
        }
        let outline = inner.flattened(0.1);
        let axis = long_axis(&outline);
        let along: Vec<f64> = outline.iter().map(|p| p.dot(axis)).collect();
        let radius = self.cut.cutter_diameter / 2.0;
        let from = along.iter().copied().fold(f64::INFINITY, f64::min) + radius;
        let to = along.iter().copied().fold(f64::NEG_INFINITY, f64::max) - radius;
        let mut half_width = 0.0_f64;
        let mut free = Vec::new();
        for p in grid(bounds) {
            let room = self.room(p, f64::INFINITY);
            if room <= 0.0 {
                continue;
            }
            half_width = half_width.max(room);
            let spare = self.spare(p);
            if spare >= ROUNDING_ROOM_MM {
                free.push((p, spare));
            } else if spare > -1.5 * step(bounds) {
                // A place that just misses may have a free one beside it.
                let (q, spare) = climb(p, step(bounds), &|q| self.spare(q));
                if spare >= ROUNDING_ROOM_MM {
                    free.push((q, spare));
                }
            }
        }
        if half_width > 0.0 {
            let best = grid(bounds)
                .map(|p| (self.room(p, f64::INFINITY), p))
                .fold((0.0, bounds.centre()), |b, c| if c.0 > b.0 { c } else { b });
            let (_, room) = climb(best.1, step(bounds), &|q| self.room(q, f64::INFINITY));
            half_width = half_width.max(room);
        }
        (to > from && half_width > 0.0).then_some(Slug {
            half_width,
            length: to - from,
            axis,
            from,
            to,
            free,
        })
    }
    /// Screws as practice wants them, or `None`.
    fn screws(&self, slug: &Slug) -> Option<Decided> {
        let n = ((slug.length / EACH_SCREW_MM).ceil() as usize + 1).max(2);
        let mut places: Vec<Point> = Vec::new();
        for k in 0..n {
            let share = FROM_END + (1.0 - 2.0 * FROM_END) * k as f64 / (n - 1) as f64;
            let wanted = slug.from + share * (slug.to - slug.from);
            if let Some(p) = self.place(slug, wanted) {
                let least = (APART * slug.length / (n - 1) as f64)
                    .max(2.0 * self.settings.head_diameter.mm());
                if places.iter().all(|q| q.distance(p) >= least) {
                    places.push(p);
                }
            }
        }
        let long = slug.length > LONG * 2.0 * slug.half_width;
        match places.len() {
            0 => None,
            1 => {
                // One in the middle, and tabs against its turning.
                let middle = self.place(slug, 0.5 * (slug.from + slug.to))?;
                match self.tabs(1) {
                    Some(tabs) => {
                        Some(self.with_tabs(self.record(WasteBy::Screws, vec![middle], tabs)))
                    }
                    None if !long => {
                        Some(self.plain(self.record(WasteBy::Screws, vec![middle], Vec::new())))
                    }
                    None => None,
                }
            }
            _ => Some(self.plain(self.record(WasteBy::Screws, places, Vec::new()))),
        }
    }
    /// The free place nearest to a length along the waste, well in its middle.
    fn place(&self, slug: &Slug, wanted: f64) -> Option<Point> {
        let off = |p: Point| (p.dot(slug.axis) - wanted).abs();
        let nearest = slug
            .free
            .iter()
            .map(|(p, _)| off(*p))
            .fold(f64::INFINITY, f64::min);
        let (p, _) = slug
            .free
            .iter()
            .filter(|(p, _)| off(*p) <= nearest + SHIFT_MM)
            .fold(None, |best: Option<(Point, f64)>, &(p, spare)| {
                // More room is better up to what is plenty; then the nearer to the wanted place.
                let value = spare.min(10.0) - 0.2 * off(p);
                match best {
                    Some((_, v)) if v >= value => best,
                    _ => Some((p, value)),
                }
            })?;
        let side = slug.axis.left();
        let near = |q: Point| {
            // Only across the waste: along it the wanted place counts.
            if (q - p).dot(slug.axis).abs() > 1e-9 {
                f64::NEG_INFINITY
            } else {
                self.spare(q)
            }
        };
        let mut best = (p, self.spare(p));
        let mut step = 1.0;
        while step > 0.04 {
            let next = [side * step, -(side * step)]
                .into_iter()
                .map(|d| (best.0 + d, near(best.0 + d)))
                .filter(|(_, v)| *v > best.1 + 1e-6)
                .fold(None, |b: Option<(Point, f64)>, c| match b {
                    Some(b) if b.1 >= c.1 => Some(b),
                    _ => Some(c),
                });
            match next {
                Some(n) => best = n,
                None => step /= 2.0,
            }
        }
        let rounded = point(
            (best.0.x * 10.0).round() / 10.0,
            (best.0.y * 10.0).round() / 10.0,
        );
        [rounded, best.0, p]
            .into_iter()
            .find(|q| self.spare(*q) >= 0.0)
    }
    /// Tabs of the cutout: `least` of them, on opposite sides where there are several.
    fn tabs(&self, least: usize) -> Option<Vec<Tab>> {
        let spots = spots_into_waste(self.cut, &self.own, self.settings);
        let length = last_path(self.cut)?.length();
        let want = Want {
            least: least.max(2),
            spacing: self.settings.tab_spacing.mm(),
            cutter: self.cut.cutter_diameter,
        };
        let chosen: Vec<Spot> = choose(&spots, length, &want);
        let enough = chosen.len() >= least && (least < 2 || opposite(&chosen));
        (enough && !chosen.is_empty())
            .then(|| as_tabs(&chosen, &self.variant.z, self.settings.tab_height.mm()))
            .flatten()
    }
    fn tabs_only(&self) -> Option<Decided> {
        let tabs = self.tabs(2)?;
        Some(self.with_tabs(self.record(WasteBy::Tabs, Vec::new(), tabs)))
    }
    fn with_tabs(&self, record: WasteRecord) -> Decided {
        let clear = self.variant.z.highest_top() + CLEAR_MM;
        Decided {
            tabbed: Some((self.step, profile_moves(self.cut, &record.tabs, clear))),
            record,
            replaced: None,
        }
    }
    /// Screws where the user wants them.
    fn given(
        &self,
        slug: &Slug,
        screws_at: &[[grainway_pipeline::doc::Length; 2]],
        findings: &mut Vec<Finding>,
    ) -> Decided {
        let places: Vec<Point> = screws_at
            .iter()
            .map(|[x, y]| point(x.mm(), y.mm()))
            .collect();
        for p in &places {
            let spare = self.spare(*p);
            if spare < -1e-6 {
                findings.push(
                    Finding::new(
                        &code::SCREW_IN_THE_WAY,
                        format!(
                            "A screw at ({:.1}, {:.1}) in the waste of opening {} lies {:.1} mm too near to a cut: from the cut's edge to the screw's middle are {:.1} mm needed.",
                            p.x,
                            p.y,
                            self.feature.key,
                            -spare,
                            self.settings.screw_clear()
                        ),
                    )
                    .part(&self.variant.part)
                    .feature(&self.feature.key)
                    .at(*p),
                );
            }
        }
        let long = slug.length > LONG * 2.0 * slug.half_width;
        if places.len() == 1 {
            if let Some(tabs) = self.tabs(1) {
                return self.with_tabs(self.record(WasteBy::Screws, places, tabs));
            }
            if long {
                findings.push(
                    Finding::new(
                        &code::NOT_HELD,
                        format!(
                            "The waste of opening {} is {:.0} mm long and {:.0} mm wide: on one screw it swings, and tabs find no place.",
                            self.feature.key,
                            slug.length,
                            2.0 * slug.half_width
                        ),
                    )
                    .part(&self.variant.part)
                    .feature(&self.feature.key),
                );
            }
        }
        self.plain(self.record(WasteBy::Screws, places, Vec::new()))
    }
    /// Nothing stays loose: everything inside is cleared first (when something would stay).
    fn chips(&self, clear: bool) -> Decided {
        let replaced = clear
            .then(|| chips::clearing(self.work, self.variant, self.feature, self.step, self.cut))
            .flatten()
            .map(|(step, moves)| (self.step, step, moves));
        Decided {
            record: self.record(WasteBy::Chips, Vec::new(), Vec::new()),
            tabbed: None,
            replaced,
        }
    }
}

/// Step of the grid that looks a box over.
fn step(b: Bounds) -> f64 {
    (b.width() * b.height() / MOST_PLACES)
        .sqrt()
        .max(LEAST_STEP_MM)
}

/// Places on a grid about the middle of the box.
fn grid(b: Bounds) -> impl Iterator<Item = Point> {
    let s = step(b);
    let (nx, ny) = (
        (b.width() / 2.0 / s).floor() as i32,
        (b.height() / 2.0 / s).floor() as i32,
    );
    let centre = b.centre();
    (-nx..=nx).flat_map(move |i| {
        (-ny..=ny).map(move |j| centre + point(f64::from(i) * s, f64::from(j) * s))
    })
}

/// Up the hill of `value` from `p`, in smaller and smaller steps.
fn climb(p: Point, first: f64, value: &dyn Fn(Point) -> f64) -> (Point, f64) {
    let mut best = (p, value(p));
    let mut step = first;
    while step > 0.02 {
        let ways = [
            point(1.0, 0.0),
            point(-1.0, 0.0),
            point(0.0, 1.0),
            point(0.0, -1.0),
            point(0.7, 0.7),
            point(-0.7, 0.7),
            point(0.7, -0.7),
            point(-0.7, -0.7),
        ];
        let next = ways
            .into_iter()
            .map(|w| (best.0 + w * step, value(best.0 + w * step)))
            .fold(best, |b, c| if c.1 > b.1 + 1e-9 { c } else { b });
        if next.1 > best.1 {
            best = next;
        } else {
            step /= 2.0;
        }
    }
    best
}

/// The direction in which the outline is longest: its farthest two points'.
fn long_axis(outline: &[Point]) -> Point {
    // A box turned in steps of 2°: the longest side of the box with the least area.
    let mut best = (f64::INFINITY, point(1.0, 0.0));
    for k in 0..90 {
        let u = Point::unit(f64::from(k) * std::f64::consts::PI / 90.0);
        let spread = |d: Point| {
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for p in outline {
                low = low.min(p.dot(d));
                high = high.max(p.dot(d));
            }
            high - low
        };
        let (l, w) = (spread(u), spread(u.left()));
        if l >= w && l * w < best.0 - 1e-9 {
            best = (l * w, u);
        } else if w > l && l * w < best.0 - 1e-9 {
            best = (l * w, u.left());
        }
    }
    best.1
}
