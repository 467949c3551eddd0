//! Pictures of boards and parts as plain marks, from which both the SVG files and the PDF are drawn.
//!
//! Coordinates are the board's or the part's own, millimetres, y upwards. What has a size on paper (lines, letters) is given in
//! millimetres of paper; the picture knows how many millimetres of wood one of them is.

use super::document::{OrderRow, ReportDocument, SetupRow};
use super::show::Show;
use grainway_geom::{Bounds, Contour, Placing, Point, Segment, point};
use grainway_pipeline::doc::{FeatureKind, Side};
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{
    CornerAnswer, Hold, HoldKind, Operation, Placement, Setup, SetupKind, SizedFeature, Tab,
    Variant, Work,
};
use std::collections::BTreeMap;

/// Red, green, blue.
pub(super) type Colour = [u8; 3];

pub(super) const INK: Colour = [0x20, 0x20, 0x20];
pub(super) const WOOD: Colour = [0xf6, 0xee, 0xdd];
pub(super) const PIECE: Colour = [0xff, 0xff, 0xff];
pub(super) const OPEN: Colour = [0xc9, 0xc9, 0xc9];
pub(super) const FASTEN: Colour = [0xb3, 0x1b, 0x1b];
const LATER: Colour = [0x1b, 0x4f, 0xb3];
const TAB: Colour = [0xe0, 0x7b, 0x00];
const AXIS: Colour = [0x0a, 0x6b, 0x2e];
const PATH: Colour = [0x2b, 0x6c, 0xb0];
pub(super) const CUT: Colour = [0x6a, 0x1b, 0x9a];

/// Where a text stands to its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
}

/// One thing drawn.
pub(super) enum Mark {
    /// Contours filled together (holes stay open) and stroked.
    Shape {
        contours: Vec<Contour>,
        fill: Option<Colour>,
        /// Colour and width in millimetres of paper.
        stroke: Option<(Colour, f64)>,
        dashed: bool,
    },
    /// A text; `size` in millimetres of paper, `at` its baseline.
    Text {
        at: Point,
        size: f64,
        anchor: Anchor,
        colour: Colour,
        text: String,
    },
}

/// Marks and the room they take.
pub(super) struct Picture {
    pub bounds: Bounds,
    /// Millimetres of wood in a millimetre of paper.
    pub unit: f64,
    pub title: String,
    pub marks: Vec<Mark>,
}

/// Width of a picture on paper, mm.
pub(super) const PAPER_WIDTH_MM: f64 = 180.0;
/// Greatest height of a picture on paper, mm.
pub(super) const PAPER_HEIGHT_MM: f64 = 110.0;

impl Picture {
    pub(super) fn new(title: String, inner: Bounds) -> Picture {
        let unit = (inner.width() / PAPER_WIDTH_MM)
            .max(inner.height() / PAPER_HEIGHT_MM)
            .max(0.05);
        Picture {
            bounds: inner.grown(12.0 * unit),
            unit,
            title,
            marks: Vec::new(),
        }
    }

    fn shape(&mut self, contours: Vec<Contour>, fill: Option<Colour>, stroke: (Colour, f64)) {
        self.marks.push(Mark::Shape {
            contours,
            fill,
            stroke: Some(stroke),
            dashed: false,
        });
    }

    fn dashed(&mut self, contour: Contour, stroke: (Colour, f64)) {
        self.marks.push(Mark::Shape {
            contours: vec![contour],
            fill: None,
            stroke: Some(stroke),
            dashed: true,
        });
    }

    fn line(&mut self, a: Point, b: Point, stroke: (Colour, f64)) {
        self.shape(vec![Contour::open([a, b])], None, stroke);
    }

    fn text(
        &mut self,
        at: Point,
        size: f64,
        anchor: Anchor,
        colour: Colour,
        text: impl Into<String>,
    ) {
        self.marks.push(Mark::Text {
            at,
            size,
            anchor,
            colour,
            text: text.into(),
        });
    }

    /// A line with a head of 2.5 mm of paper.
    pub(super) fn arrow(&mut self, from: Point, to: Point, stroke: (Colour, f64)) {
        self.line(from, to, stroke);
        let Some(d) = (to - from).normalized() else {
            return;
        };
        let back = d * (-2.5 * self.unit);
        let side = d.left() * self.unit;
        self.shape(
            vec![Contour::polygon([to, to + back + side, to + back - side])],
            Some(stroke.0),
            (stroke.0, 0.1),
        );
    }
}

/// Darker is deeper; what goes through is open.
fn shade(depth: f64, thickness: f64, through: bool) -> Colour {
    if through {
        return OPEN;
    }
    let share = (depth / thickness.max(0.1)).clamp(0.0, 1.0);
    let v = |light: f64, dark: f64| (light + (dark - light) * share).round() as u8;
    [v(236.0, 120.0), v(226.0, 96.0), v(200.0, 60.0)]
}

fn feature_contours(f: &SizedFeature, placing: &Placing) -> Vec<Contour> {
    std::iter::once(&f.shape)
        .chain(&f.islands)
        .map(|c| c.placed(placing))
        .collect()
}

/// A feature's area, its lobes, and its name when there is room.
fn draw_feature(picture: &mut Picture, variant: &Variant, f: &SizedFeature, placing: &Placing) {
    let line = (INK, 0.15);
    if f.kind == FeatureKind::Outline {
        return;
    }
    if f.kind == FeatureKind::Engraving {
        picture.shape(vec![f.shape.placed(placing)], None, line);
        return;
    }
    let colour = shade(variant.z.depth_of(f.floor), variant.z.mean, f.through);
    for corner in &f.corners {
        if let CornerAnswer::Lobe { centre, radius, .. } = corner.answer {
            picture.shape(
                vec![Contour::circle(placing.point(centre), radius)],
                Some(colour),
                line,
            );
        }
    }
    picture.shape(feature_contours(f, placing), Some(colour), line);
}

/// The board of a setup: pieces with their names and the numbers of their cuts, holds with their numbers, tabs, zero, axes and grain.
pub(super) fn of_setup(
    work: &Work,
    setup: &Setup,
    report: &ReportDocument,
    row: &SetupRow,
    show: Show,
) -> Picture {
    let board = Bounds {
        min: point(0.0, 0.0),
        max: setup.size,
    };
    // What stands beside a small piece takes room of its own.
    let feet = setup.holds.iter().filter(|h| has_foot(h));
    let inner = feet.fold(board, |all, h| all.union(foot(h).bounds()));
    let mut picture = Picture::new(format!("Setup {}", setup.id), inner);
    let wood = (setup.kind != SetupKind::Lines).then_some(WOOD);
    picture.shape(
        vec![Contour::rectangle(board.min, board.max, 0.0)],
        wood,
        (INK, 0.4),
    );
    for defect in defects(work, setup) {
        picture.shape(
            vec![Contour::rectangle(defect.min, defect.max, 0.0)],
            Some(OPEN),
            (INK, 0.2),
        );
    }
    for placement in &setup.placements {
        if let Some(variant) = work.variant(&placement.variant) {
            draw_piece(&mut picture, variant, placement);
            let name = report.piece_called(&placement.piece);
            draw_name(&mut picture, variant, placement, &setup.holds, name);
            draw_cuts(&mut picture, variant, placement, row);
        }
    }
    for step in &setup.own_steps {
        if step.operation == Operation::LocatingLine {
            for (contour, _) in &step.allowed {
                picture.dashed(contour.clone(), (LATER, 0.3));
            }
        }
    }
    for (i, hold) in setup.holds.iter().enumerate() {
        draw_hold(&mut picture, i + 1, hold);
    }
    if let Some(at) = setup.touch_off {
        draw_touch_off(&mut picture, at);
    }
    draw_grain(&mut picture, setup, show);
    zero_mark(&mut picture);
    picture
}

/// Places of the board that no part may have.
fn defects(work: &Work, setup: &Setup) -> Vec<Bounds> {
    let boards = work.documents.stock(&setup.stock).map(|s| &s.boards[..]);
    let mut boards = boards.unwrap_or_default().iter();
    let board = boards.find(|b| setup.board.as_ref() == Some(&b.id));
    board.map_or(Vec::new(), |b| {
        b.defects.iter().map(|d| d.bounds()).collect()
    })
}

/// A screw as a crossed circle; a clamp or stop as a square of its true size, empty, so that what lies under it is seen. Its number
/// stands beside it.
fn draw_hold(picture: &mut Picture, number: usize, hold: &Hold) {
    let u = picture.unit;
    let colour = if hold.after_pause.is_some() {
        LATER
    } else {
        FASTEN
    };
    let clamp = has_foot(hold);
    // A screw's head may be too small to be seen.
    let radius = if clamp {
        hold.head_radius
    } else {
        hold.head_radius.max(0.8 * u)
    };
    let stroke = (colour, if clamp { 0.6 } else { 0.35 });
    match clamp {
        true => picture.shape(vec![foot(hold)], None, stroke),
        false => {
            picture.shape(vec![Contour::circle(hold.at, radius)], Some(PIECE), stroke);
            let d = radius * std::f64::consts::FRAC_1_SQRT_2;
            for s in [1.0, -1.0] {
                let arm = point(d, s * d);
                picture.line(hold.at - arm, hold.at + arm, (colour, 0.2));
            }
        }
    }
    let beside = hold.at + point(radius + 0.6 * u, -u);
    picture.text(beside, 2.8, Anchor::Start, colour, number.to_string());
}

/// Where Z zero is set: a cross with its letter.
fn draw_touch_off(picture: &mut Picture, at: Point) {
    let u = picture.unit;
    for arm in [point(2.0 * u, 0.0), point(0.0, 2.0 * u)] {
        picture.line(at - arm, at + arm, (AXIS, 0.4));
    }
    let beside = at + point(0.8 * u, 0.8 * u);
    picture.text(beside, 2.8, Anchor::Start, AXIS, "Z".to_string());
}

/// The grain, above the board, and the board's size.
fn draw_grain(picture: &mut Picture, setup: &Setup, show: Show) {
    let u = picture.unit;
    let feet = setup.holds.iter().filter(|h| has_foot(h));
    let top = feet.fold(setup.size.y, |top, h| top.max(foot(h).bounds().max.y));
    let above = top + 4.0 * u;
    let middle = setup.size.x / 2.0;
    let half = (setup.size.x / 2.0).min(25.0 * u);
    // On an end the grain runs towards whoever looks at the picture.
    for by in [half, -half] {
        if !setup.side.is_end() {
            picture.arrow(point(middle, above), point(middle + by, above), (INK, 0.25));
        }
    }
    picture.text(
        point(middle, above + 1.5 * u),
        3.0,
        Anchor::Middle,
        INK,
        format!(
            "{}; {} {} × {}",
            match setup.side.is_end() {
                true => "end grain",
                false => "grain",
            },
            match (setup.kind, setup.side) {
                (SetupKind::Board, _) => "board",
                (SetupKind::Blank, Side::Face) => "blank",
                (SetupKind::Blank, Side::Back) => "piece, back up",
                (SetupKind::Blank, Side::Near) => "piece, near edge up",
                (SetupKind::Blank, Side::Far) => "piece, far edge up",
                (SetupKind::Blank, Side::LeftEnd) => "piece, left end up",
                (SetupKind::Blank, Side::RightEnd) => "piece, right end up",
                (SetupKind::Lines, _) => "place of blanks",
            },
            show.with(setup.size.x),
            show.with(setup.size.y)
        ),
    );
}

fn draw_piece(picture: &mut Picture, variant: &Variant, placement: &Placement) {
    let outline = variant.outline.placed(&placement.placing);
    picture.shape(vec![outline.clone()], Some(PIECE), (INK, 0.3));
    for f in &variant.features {
        draw_feature(picture, variant, f, &placement.placing);
    }
    for tab in &placement.tabs {
        draw_tab(picture, variant, "outline", placement, tab);
    }
    for waste in &placement.waste {
        for tab in &waste.tabs {
            draw_tab(picture, variant, &waste.feature, placement, tab);
        }
    }
}

/// Places of a piece's name that are tried: so many along and across it.
const NAME_PLACES: (usize, usize) = (15, 9);
/// Sizes of a piece's name that are tried, millimetres of paper; the last, the least that is read at a machine, is taken where none
/// fits.
const NAME_SIZES: [f64; 5] = [4.0, 3.5, 3.0, 2.5, 2.2];

fn has_foot(hold: &Hold) -> bool {
    matches!(
        hold.kind,
        HoldKind::Clamp | HoldKind::Stop | HoldKind::SideClamp
    )
}

/// The foot of a clamp or stop.
fn foot(hold: &Hold) -> Contour {
    let reach = point(hold.head_radius, hold.head_radius);
    Contour::rectangle(hold.at - reach, hold.at + reach, 0.0)
}

/// A piece's name, as large as it finds room between edges, features and clamps.
fn draw_name(
    picture: &mut Picture,
    variant: &Variant,
    placement: &Placement,
    holds: &[Hold],
    name: String,
) {
    let outline = variant.outline.placed(&placement.placing);
    let bounds = outline.bounds();
    let cut: Vec<Contour> = variant
        .features
        .iter()
        .filter(|f| f.kind != FeatureKind::Outline)
        .flat_map(|f| feature_contours(f, &placement.placing))
        .chain(holds.iter().filter(|h| has_foot(h)).map(foot))
        .collect();
    let room = |p: Point| {
        let inside = outline.contains(p) && !cut.iter().any(|c| c.closed && c.contains(p));
        let nearest = cut.iter().map(|c| c.distance(p));
        let nearest = nearest.fold(outline.distance(p), f64::min);
        if inside { nearest } else { -nearest }
    };
    let (along, across) = NAME_PLACES;
    let share = |i: usize, n: usize| (i as f64 + 1.0) / (n as f64 + 1.0);
    let places: Vec<Point> = (0..along)
        .flat_map(|i| (0..across).map(move |j| (i, j)))
        .map(|(i, j)| {
            let x = bounds.width() * share(i, along);
            bounds.min + point(x, bounds.height() * share(j, across))
        })
        .collect();
    let letters = name.chars().count().max(1) as f64;
    let mut best = (bounds.centre(), NAME_SIZES[NAME_SIZES.len() - 1]);
    for size in NAME_SIZES {
        let high = size * picture.unit;
        // Letters are about half as wide as high.
        let half = 0.275 * letters * high;
        // Looked at so densely that no feature slips between.
        let steps = (half / high).ceil().max(1.0);
        let free = |p: &Point| {
            let along = (0..=2 * steps as usize).map(|k| (k as f64 / steps - 1.0) * half);
            let rooms = along.map(|x| room(*p + point(x, 0.0)));
            rooms.fold(f64::INFINITY, f64::min)
        };
        let place = places.iter().map(|p| (free(p), *p));
        let Some((room, place)) = place.max_by(|a, b| a.0.total_cmp(&b.0)) else {
            break;
        };
        best = (place, size);
        if room >= 0.7 * high {
            break;
        }
    }
    let (place, size) = best;
    let at = place - point(0.0, 0.35 * size * picture.unit);
    picture.text(at, size, Anchor::Middle, INK, name);
}

/// The numbers of a piece's cuts, each at the right upper corner of its feature; that of the outline inside the piece's own.
fn draw_cuts(picture: &mut Picture, variant: &Variant, placement: &Placement, row: &SetupRow) {
    let u = picture.unit;
    let mut numbers: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for o in &row.order {
        if let OrderRow::Cut(c) = o
            && c.piece.as_deref() == Some(placement.piece.as_str())
        {
            numbers
                .entry(&c.feature)
                .or_default()
                .push(c.number.to_string());
        }
    }
    for (feature, cuts) in numbers {
        let Some(f) = variant.features.iter().find(|f| f.key == feature) else {
            continue;
        };
        let corner = f.shape.placed(&placement.placing).bounds().max;
        let at = match f.kind {
            FeatureKind::Outline => corner - point(1.5 * u * 2.0, 3.2 * u),
            _ => corner + point(0.4 * u, 0.2 * u),
        };
        picture.text(at, 2.2, Anchor::Start, CUT, cuts.join(", "));
    }
}

/// A tab as a thick line along the edge it interrupts.
fn draw_tab(
    picture: &mut Picture,
    variant: &Variant,
    feature: &str,
    placement: &Placement,
    tab: &Tab,
) {
    let path = variant
        .steps
        .iter()
        .filter(|s| s.feature == feature)
        .filter_map(|s| s.profile.as_ref()?.loops.last())
        .next_back();
    let Some((at, direction)) = path.and_then(|l| l.path.at_length(tab.along)) else {
        return;
    };
    let at = placement.placing.point(at);
    let (s, c) = placement.placing.sin_cos();
    let d = point(
        direction.x * c - direction.y * s,
        direction.x * s + direction.y * c,
    );
    let half = d * (0.5 * tab.neck).max(1.2 * picture.unit);
    picture.line(at - half, at + half, (TAB, 1.2));
}

fn zero_mark(picture: &mut Picture) {
    let u = picture.unit;
    let zero = point(0.0, 0.0);
    let reach = 16.0 * u;
    picture.arrow(zero, point(reach, 0.0), (AXIS, 0.5));
    picture.arrow(zero, point(0.0, reach), (AXIS, 0.5));
    picture.shape(
        vec![Contour::circle(zero, 2.2 * u)],
        Some(PIECE),
        (AXIS, 0.5),
    );
    picture.shape(
        vec![Contour::circle(zero, 0.6 * u)],
        Some(AXIS),
        (AXIS, 0.1),
    );
    picture.text(point(reach + u, -4.0 * u), 3.5, Anchor::Start, AXIS, "X");
    picture.text(point(-5.0 * u, reach - u), 3.5, Anchor::Start, AXIS, "Y");
    picture.text(
        point(-9.0 * u, -6.5 * u),
        3.0,
        Anchor::Start,
        AXIS,
        "zero X0 Y0",
    );
}

/// A part as it is cut: outline, features shaded by depth with their names, lobes, and the cutter's paths.
pub(super) fn of_variant(work: &Work, variant: &Variant, show: Show) -> Picture {
    let mut picture = Picture::new(format!("Part {}", variant.id), variant.outline.bounds());
    let here = Placing::default();
    picture.shape(vec![variant.outline.clone()], Some(PIECE), (INK, 0.35));
    for f in &variant.features {
        draw_feature(&mut picture, variant, f, &here);
    }
    for step in &variant.steps {
        for run in cutting_runs(&work.moves(&step.moves)) {
            picture.shape(vec![run], None, (PATH, 0.08));
        }
    }
    for f in &variant.features {
        if matches!(f.kind, FeatureKind::Outline | FeatureKind::Engraving) {
            continue;
        }
        let bounds = f.shape.bounds();
        let depth = if f.through {
            "through".to_string()
        } else {
            format!("{} deep", show.with(variant.z.depth_of(f.floor)))
        };
        let text = format!("{} {depth}", f.key);
        if f.kind == FeatureKind::Hole {
            // Over the hole it could not be read; beside it, towards the middle of the part.
            let u = picture.unit;
            let right = bounds.centre().x > variant.outline.bounds().centre().x;
            let long = 2.8 * 0.55 * text.chars().count() as f64 * u;
            let x = match right {
                true => bounds.min.x - 0.8 * u - long,
                false => bounds.max.x + 0.8 * u,
            };
            let at = point(x, bounds.centre().y - u);
            picture.text(at, 2.8, Anchor::Start, INK, text);
            continue;
        }
        let room = bounds.width().max(4.0 * picture.unit) / picture.unit;
        let size = (room / (0.55 * text.chars().count() as f64)).clamp(2.0, 2.8);
        picture.text(bounds.centre(), size, Anchor::Middle, INK, text);
    }
    picture
}

/// The cutting moves seen from above, as runs; rapids and drilled holes part them.
fn cutting_runs(moves: &[Move]) -> Vec<Contour> {
    let mut runs = Vec::new();
    let mut run: Vec<Segment> = Vec::new();
    let mut at = None;
    let mut close = |run: &mut Vec<Segment>| {
        if !run.is_empty() {
            runs.push(Contour::from_segments(run, false));
            run.clear();
        }
    };
    for m in moves {
        let from = at.unwrap_or_else(|| match *m {
            Move::Rapid { to } | Move::Line { to, .. } => to,
            Move::Arc { centre, .. } => centre.at_z(0.0),
            Move::Hole { at, retract, .. } => at.at_z(retract),
        });
        let to = m.end(from);
        match *m {
            Move::Line { .. } if from.xy().distance(to.xy()) > 1e-6 => run.push(Segment::Line {
                a: from.xy(),
                b: to.xy(),
            }),
            Move::Arc { centre, sweep, .. } => {
                // More than a full turn looks like one.
                let sweep = sweep.clamp(-std::f64::consts::TAU, std::f64::consts::TAU);
                run.push(Segment::Arc {
                    a: from.xy(),
                    b: centre + (from.xy() - centre).rotated(sweep),
                    centre,
                    radius: from.xy().distance(centre),
                    sweep,
                });
            }
            Move::Line { .. } => {}
            Move::Rapid { .. } | Move::Hole { .. } => close(&mut run),
        }
        at = Some(to);
    }
    close(&mut run);
    runs
}

/// What the colours and signs mean, for the sheet.
pub(super) fn legend(setup: &Setup) -> Vec<String> {
    if setup.kind == SetupKind::Lines {
        return vec!["Dashed lines are what the cutter runs along.".to_string()];
    }
    let mut lines = vec![
        "Darker areas are deeper; grey areas go through. Violet numbers are those of the cuts."
            .to_string(),
    ];
    if setup.side != Side::Face {
        lines.push("The second picture shows the piece as it lies: A is up, and what is dashed are its stops.".into());
    }
    let tabs = |p: &Placement| !p.tabs.is_empty() || p.waste.iter().any(|w| !w.tabs.is_empty());
    if setup.placements.iter().any(tabs) {
        lines.push("Thick orange lines are tabs: cut them after the program has ended.".into());
    }
    let later = setup.holds.iter().any(|h| h.after_pause.is_some());
    if setup.holds.iter().any(|h| h.after_pause.is_none()) {
        lines.push(format!(
            "Red signs hold the board before the first cut ({}).",
            kinds(setup, false)
        ));
    }
    if later {
        lines.push(format!(
            "Blue signs are put in at the pause that the running order names ({}).",
            kinds(setup, true)
        ));
    }
    lines
}

fn kinds(setup: &Setup, later: bool) -> String {
    let mut words: Vec<&str> = setup
        .holds
        .iter()
        .filter(|h| h.after_pause.is_some() == later)
        .map(|h| setup.called(h))
        .collect();
    words.sort_unstable();
    words.dedup();
    words.join(", ")
}
