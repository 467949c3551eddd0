//! A board as hold sees it: what lies where, which places are waste, and how far they are from every cut.

use super::HoldSettings;
use crate::sweep::{Asked, Field, Sweep};
use grainway_geom::{self, Bounds, Contour, Notes, Piece, Placing, Point, PolySet, Region, point};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Hold, HoldKind, Placement, Setup, Variant, Work};
use std::collections::BTreeMap;

/// One setup with everything that is asked of it often.
pub(super) struct Board<'a> {
    pub(super) size: Point,
    pub(super) face: f64,
    pieces: Vec<Laid<'a>>,
    field: &'a Field<'a>,
    /// Radius of the collet nut, mm.
    nut_radius: f64,
    work: &'a Work,
    /// Waste wide enough to hold and held itself.
    held: Held<'a>,
}

/// What is known of the waste.
enum Held<'a> {
    /// Nothing yet.
    Unknown,
    /// Every piece stands alone: the waste round its variant, variant by variant, in the variant's frame.
    Alone(&'a BTreeMap<String, Surroundings>),
    /// Pieces stand near each other: the whole board's.
    Together(PolySet),
}

/// The waste round a variant that has nothing else near it, in its own frame.
pub(super) struct Surroundings {
    /// Wide enough to hold, and joined to the frame outside.
    held: PolySet,
    /// Strips that are not.
    strips: Vec<Piece>,
    /// Box of the variant with its kerf.
    reach: Bounds,
}

impl Surroundings {
    /// Of one variant. Waste narrower than `least` mm holds nothing.
    pub(super) fn of(variant: &Variant, least: f64) -> Surroundings {
        let kerf = kerf_width(variant);
        let reach = variant.outline.bounds().grown(kerf);
        let frame = reach.grown(least);
        let around =
            PolySet::from_contour(&Contour::rectangle(frame.min, frame.max, 0.0), CHORD_MM);
        let covered = grainway_geom::offset(
            &Region::inside(variant.outline.clone()),
            kerf,
            &mut Notes::default(),
        );
        let waste = around.difference(&PolySet::from_regions(&covered, CHORD_MM));
        let (firm, strips) = firm_and_strips(&waste, least);
        // The frame's own shape holds its middle line.
        let corner = frame.min + point(least / 2.0, least / 2.0);
        let held = firm
            .0
            .iter()
            .filter(|shape| PolySet(vec![(*shape).clone()]).contains(corner))
            .cloned()
            .collect();
        Surroundings {
            held: PolySet(held),
            strips,
            reach,
        }
    }
}

/// Waste at least `least` mm wide, and the strips that are not.
fn firm_and_strips(waste: &PolySet, least: f64) -> (PolySet, Vec<Piece>) {
    let firm = waste.opening((least / 2.0 - EXACTLY_MM).max(EXACTLY_MM));
    let strips = waste
        .difference(&firm.offset(EXACTLY_MM * 2.0))
        .pieces()
        .into_iter()
        .filter(|p| p.area > CORNER_MM2)
        .collect();
    (firm, strips)
}

struct Laid<'a> {
    variant: &'a Variant,
    placing: Placing,
    outline: Contour,
    bounds: Bounds,
}

impl<'a> Board<'a> {
    pub(super) fn new(
        setup: &Setup,
        laid: &[(&'a Placement, &'a Variant, &'a Sweep)],
        field: &'a Field<'a>,
        work: &'a Work,
    ) -> Board<'a> {
        let pieces = laid
            .iter()
            .map(|(p, variant, _)| {
                let outline = variant.outline.placed(&p.placing);
                Laid {
                    variant,
                    placing: p.placing,
                    bounds: outline.bounds(),
                    outline,
                }
            })
            .collect();
        Board {
            size: setup.size,
            face: setup.z.highest_top(),
            pieces,
            field,
            nut_radius: work
                .documents
                .machine()
                .map_or(0.0, |(_, m)| m.nut_diameter.mm() / 2.0),
            work,
            held: Held::Unknown,
        }
    }
    pub(super) fn variant(&self, placement: usize) -> &'a Variant {
        self.pieces[placement].variant
    }
    pub(super) fn outline(&self, placement: usize) -> &Contour {
        &self.pieces[placement].outline
    }
    pub(super) fn len(&self) -> usize {
        self.pieces.len()
    }
    /// Waste that the first hold holds, where pieces stand so near each other that it was found for the whole board.
    pub(super) fn held_waste(&self) -> Option<&PolySet> {
        match &self.held {
            Held::Together(waste) => Some(waste),
            Held::Unknown | Held::Alone(_) => None,
        }
    }
    pub(super) fn placing(&self, placement: usize) -> Placing {
        self.pieces[placement].placing
    }
    /// Least distance of `p` from the board's edges, mm, negative outside.
    pub(super) fn edge_distance(&self, p: Point) -> f64 {
        p.x.min(p.y).min(self.size.x - p.x).min(self.size.y - p.y)
    }
    /// The piece in which `p` lies.
    pub(super) fn piece_at(&self, p: Point) -> Option<usize> {
        self.pieces
            .iter()
            .position(|l| l.bounds.contains(p) && l.outline.contains(p))
    }
    /// Distance from `p` to the nearest swept place of the moves that `of` accepts, at most `within` mm.
    pub(super) fn clearance(&self, p: Point, within: f64, of: &Asked<'_>) -> f64 {
        self.field.clearance(p, within, of)
    }
    /// A flat thing of radius `radius` at `p`, `height` mm high over the face, keeps `keep_out` from every cutter, and from the
    /// nut wherever that comes down so far.
    pub(super) fn free(&self, p: Point, radius: f64, height: f64, keep_out: f64) -> bool {
        let need = radius + keep_out;
        if self.clearance(p, need + LITTLE_MM, &|_, _, _| true) < need {
            return false;
        }
        if height <= 0.0 {
            return true;
        }
        let top = self.face + height;
        let low_nut = |placement: usize, step: usize, low: f64| {
            let s = &self.pieces[placement].variant.steps[step];
            self.work
                .documents
                .cutter(&s.cutter)
                .is_some_and(|c| low + c.usable_mm() < top + keep_out)
        };
        // The nut reaches farther than the cutter by the difference of their radii; the thinnest cutter is taken.
        let least = self
            .pieces
            .iter()
            .flat_map(|l| &l.variant.steps)
            .filter_map(|s| self.work.documents.cutter(&s.cutter))
            .map(|c| c.radius_mm())
            .fold(self.nut_radius, f64::min);
        let need = need + self.nut_radius - least;
        self.clearance(p, need + LITTLE_MM, &low_nut) >= need
    }
    /// Finds the waste that the first hold holds, and names strips that are too narrow to hold anything.
    pub(super) fn find_waste(
        &mut self,
        setup: &Setup,
        settings: &HoldSettings,
        holds: &[Hold],
        alone: &'a BTreeMap<String, Surroundings>,
        findings: &mut Vec<Finding>,
    ) {
        let least = settings.strip_least.mm();
        if self.all_alone(alone, least) {
            self.held = Held::Alone(alone);
            let strips: Vec<(Piece, Point)> = self
                .pieces
                .iter()
                .filter_map(|l| Some((l, alone.get(&l.variant.id)?)))
                .flat_map(|(l, s)| s.strips.iter().map(|p| (*p, l.placing.point(p.inside))))
                .collect();
            report_strips(&strips, setup, least, findings);
            return;
        }
        let corner = Contour::rectangle(point(0.0, 0.0), self.size, 0.0);
        let board = PolySet::from_contour(&corner, CHORD_MM);
        // Part and kerf of each variant, made once and placed with every copy.
        let mut known: BTreeMap<&str, Vec<Region>> = BTreeMap::new();
        let mut covered = Vec::new();
        for laid in &self.pieces {
            let own = known.entry(laid.variant.id.as_str()).or_insert_with(|| {
                let region = Region::inside(laid.variant.outline.clone());
                grainway_geom::offset(&region, kerf_width(laid.variant), &mut Notes::default())
            });
            covered.extend(own.iter().map(|r| r.placed(&laid.placing)));
        }
        let waste = board.difference(&PolySet::from_regions(&covered, CHORD_MM));
        let (firm, strips) = firm_and_strips(&waste, least);
        let anchors: Vec<Point> = holds
            .iter()
            .filter(|h| h.after_pause.is_none() && h.kind != HoldKind::Stop)
            .map(|h| h.at)
            .collect();
        let mut held = Vec::new();
        let mut largest: Option<(f64, PolySet)> = None;
        for shape in &firm.0 {
            let one = PolySet(vec![shape.clone()]);
            // Heads and clamps reach a little way round their middles.
            let anchored = anchors
                .iter()
                .any(|p| one.contains(*p) || near(&one, *p, settings.clamp_size.mm()));
            if anchored {
                held.push(shape.clone());
            }
            let area = one.area();
            if largest.as_ref().is_none_or(|(a, _)| area > *a) {
                largest = Some((area, one));
            }
        }
        self.held = Held::Together(if anchors.is_empty() {
            // Held otherwise: the frame is the largest of them.
            largest.map(|(_, one)| one).unwrap_or_default()
        } else {
            PolySet(held)
        });
        let strips: Vec<(Piece, Point)> = strips.into_iter().map(|p| (p, p.inside)).collect();
        report_strips(&strips, setup, least, findings);
    }
    /// Every piece with its kerf stands at least `least` mm from every other and from the board's edges.
    fn all_alone(&self, alone: &BTreeMap<String, Surroundings>, least: f64) -> bool {
        let least = least - EXACTLY_MM;
        let mut boxes = Vec::with_capacity(self.pieces.len());
        for l in &self.pieces {
            let Some(s) = alone.get(&l.variant.id) else {
                return false;
            };
            let b = Bounds::of(
                [
                    s.reach.min,
                    point(s.reach.max.x, s.reach.min.y),
                    s.reach.max,
                    point(s.reach.min.x, s.reach.max.y),
                ]
                .map(|p| l.placing.point(p)),
            );
            if self.edge_distance(b.min) < least || self.edge_distance(b.max) < least {
                return false;
            }
            boxes.push(b);
        }
        boxes.iter().enumerate().all(|(i, a)| {
            let near = a.grown(least);
            boxes[i + 1..].iter().all(|b| !near.touches(*b))
        })
    }
    /// `local` (in the piece's own frame) lies in waste that the first hold holds. Unknown before [`Board::find_waste`].
    pub(super) fn held(&self, piece: usize, local: Point) -> bool {
        let laid = &self.pieces[piece];
        match &self.held {
            Held::Unknown => true,
            Held::Alone(all) => all
                .get(&laid.variant.id)
                .is_some_and(|s| s.held.contains(local)),
            Held::Together(waste) => waste.contains(laid.placing.point(local)),
        }
    }
}

/// Names strips of waste that hold nothing.
fn report_strips(
    strips: &[(Piece, Point)],
    setup: &Setup,
    least: f64,
    findings: &mut Vec<Finding>,
) {
    let Some((_, at)) = strips.first() else {
        return;
    };
    let one = strips.len() == 1;
    findings.push(
        Finding::new(
            &code::WASTE_SLIVER,
            format!(
                "{} strip{} of waste, {:.0} mm² in all, {} narrower than {least:.0} mm between kerfs or beside the board's edge; no tab was planned towards {}.",
                strips.len(),
                if one { "" } else { "s" },
                strips.iter().map(|(p, _)| p.area).sum::<f64>(),
                if one { "is" } else { "are" },
                if one { "it" } else { "them" }
            ),
        )
        .setup(&setup.id)
        .at(*at),
    );
}

/// Some corner of the shape lies within `reach` of the place.
fn near(shape: &PolySet, p: Point, reach: f64) -> bool {
    let (half, count) = (reach / 2.0, 16);
    (0..count).any(|k| {
        let turn = std::f64::consts::TAU * f64::from(k) / f64::from(count);
        shape.contains(p + Point::unit(turn) * half)
    })
}

/// How far all loops of a variant's outline reach beyond it, mm.
pub(super) fn kerf_width(variant: &Variant) -> f64 {
    super::outline_cuts(variant)
        .flat_map(|(_, cut)| {
            super::paths(cut).map(|path| {
                let (o, p) = (variant.outline.bounds(), path.bounds());
                let out = [
                    o.min.x - p.min.x,
                    o.min.y - p.min.y,
                    p.max.x - o.max.x,
                    p.max.y - o.max.y,
                ];
                out.into_iter().fold(0.0, f64::max) + cut.cutter_diameter / 2.0
            })
        })
        .fold(0.0, f64::max)
}

/// Chords of the polygons that waste is reckoned with, mm: far below any width that matters here.
pub(super) const CHORD_MM: f64 = 0.02;
/// A strip exactly as wide as asked holds, mm.
const EXACTLY_MM: f64 = 0.05;
/// Waste in acute corners is no strip, mm².
const CORNER_MM2: f64 = 100.0;
/// Places that just fit are not refused for their last digits, mm.
pub(super) const LITTLE_MM: f64 = 1e-6;
