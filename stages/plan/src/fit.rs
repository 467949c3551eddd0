//! Binds parts to their stocks, sizes features and depths, and makes variants.
//!
//! Here depths become heights of the machine, features of joints get the room that their fit asks for ([`joints`]), and what is too deep,
//! outside its part, or leaves too little wood is said.

mod joints;
mod movement;
mod unmated;

use crate::lies::{Lies, Outer};
use grainway_geom::tolerance::SAME_POINT_MM;
use grainway_geom::{Bounds, Contour, Point, SegmentIndex, near_pairs};
use grainway_pipeline::doc::{
    Depth, FeatureKind, Length, Own, Pointer, Side, Stock, UNLIKE_SHARE, WIDEST_SPREAD_MM, ZZero,
    own_wood, stock_of, thickness_at,
};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::LAYER_SIZE_MM;
use grainway_pipeline::work::{
    Documents, Feature, Part, SizedFeature, Source, Turn, Variant, Work, ZFrame,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Settings of the fit stage. All defaults are common practice, no source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct FitSettings {
    /// How far through cuts go into the spoilboard, a length: at most 0.5 mm, and more than 0. With zero on top the spread of the
    /// thickness readings comes on top of it.
    pub into_spoilboard: Length,
    /// The thinnest wall between two features, or a feature and the part's edge, that gets no warning, a length.
    pub least_wall: Length,
    /// The least wood under a blind feature that gets no warning, a length.
    pub least_floor: Length,
    /// The least wood behind a blind mortise that gets no warning, a length.
    pub least_behind_mortise: Length,
    /// The most cup that a board may show, a length; more refuses the stock.
    pub cup_limit: Length,
    /// Room between the cheeks of a tight joint, both sides together.
    pub tight: Room,
    /// Room between the cheeks of a push fit, both sides together.
    pub push: Room,
    /// Room between the cheeks of a sliding fit, both sides together.
    pub sliding: Room,
    /// Room between the cheeks of a loose fit, both sides together.
    pub loose: Room,
    /// Room at each closed end of a mortise, housing or groove of a joint, a length. Only cheeks fit.
    pub end_room: Length,
    /// Room below the tip of a blind tenon for glue and crumbs, a length.
    pub glue_room: Length,
    /// Room between the bottoms of two slots of an edge halving, a length; each slot gets half of it.
    pub slot_room: Length,
    /// Relative humidity, percent, of the place where the piece will stand: the driest and the dampest that lasts for weeks.
    pub humidity: [f64; 2],
    /// Temperature there, °C.
    pub temperature: f64,
    /// The most that a part may move across its grain where its mate does not, a length; more is told.
    pub most_movement: Length,
}

/// How much room a fit leaves, at least and at most.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Room {
    /// What the thickest piece of the mate's wood gets.
    pub least: Length,
    /// More than this with the thinnest piece is told.
    pub greatest: Length,
}

impl Room {
    const fn of(least: f64, greatest: f64) -> Room {
        Room {
            least: Length::from_mm(least),
            greatest: Length::from_mm(greatest),
        }
    }
}

impl FitSettings {
    /// The room that a fit leaves.
    pub fn room(&self, fit: grainway_pipeline::doc::Fit) -> Room {
        use grainway_pipeline::doc::Fit;
        match fit {
            Fit::Tight => self.tight,
            Fit::Push => self.push,
            Fit::Sliding => self.sliding,
            Fit::Loose => self.loose,
        }
    }
}

impl Default for FitSettings {
    fn default() -> Self {
        FitSettings {
            into_spoilboard: Length::from_mm(0.3),
            least_wall: Length::from_mm(2.0),
            least_floor: Length::from_mm(2.0),
            least_behind_mortise: Length::from_mm(6.0),
            cup_limit: Length::from_mm(0.5),
            tight: Room::of(0.0, 0.1),
            push: Room::of(0.1, 0.2),
            sliding: Room::of(0.2, 0.35),
            loose: Room::of(0.4, 0.8),
            end_room: Length::from_mm(0.5),
            glue_room: Length::from_mm(2.0),
            slot_room: Length::from_mm(0.25),
            humidity: [35.0, 65.0],
            temperature: 20.0,
            most_movement: Length::from_mm(1.5),
        }
    }
}

/// Through cuts go at most so far into the spoilboard, mm: common practice, no source.
const DEEPEST_INTO_SPOILBOARD_MM: f64 = 0.5;
/// A depth that misses the wood's thickness by less than this is meant to go through, mm.
const THROUGH_MM: f64 = LAYER_SIZE_MM;
/// A wall thinner than this beside a cut that goes through breaks away under the cutter, mm. Common practice, no source.
const BREAKS_MM: f64 = 0.5;
/// Cuts nearer than this run into one another, and leave no wall to speak of, mm.
const TOUCHING_MM: f64 = 0.01;

/// The fit stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Fit;

impl TypedStage for Fit {
    type Settings = FitSettings;
    fn describe(&self) -> Description {
        Description {
            name: "fit",
            version: 2,
            summary: "Binds parts to their stocks, sizes features and depths, and makes variants.",
            needs: &["parts"],
            gives: &["variants"],
            spoils: &[
                "corners", "engraved", "steps", "placed", "held", "ordered", "programs",
                "verified", "reported",
            ],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let mut findings = Vec::new();
        check_settings(&work.documents, settings, &mut findings);
        joints::check_rooms(&work.documents, settings, &mut findings);
        joints::check_climate(&work.documents, settings, &mut findings);
        findings.extend(movement::held_across(
            &work.documents,
            &work.parts,
            settings,
        ));
        let unlike = movement::unlike_place(&work.documents, &work.parts, settings);
        findings.extend(unlike);
        findings.extend(unmated::tenons(&work.documents, &work.parts, settings));
        let stocks = check_stocks(&work.documents, &work.parts, settings, &mut findings);
        let mut variants = Vec::new();
        for (i, part) in work.parts.iter().enumerate() {
            cx.check()?;
            cx.progress.at("fit", i, work.parts.len());
            let Some(z) = stocks.get(part.stock.as_str()) else {
                continue;
            };
            let own = part;
            let part = &joints::with_room(part, &work.documents, settings, &mut findings);
            let of = |is: fn(Side) -> bool| {
                let features = part.features.iter().filter(|f| is(f.side));
                features.cloned().collect::<Vec<Feature>>()
            };
            let flat = Part {
                features: of(Side::is_flat),
                ..part.clone()
            };
            let alone = !part.features.is_empty() && part.dimensioned && flat.features.is_empty();
            if !alone {
                variants.extend(Fitting::new(&flat, *z, settings, &mut findings).variants(part));
            }
            recesses_meet(part, own, z.mean, &mut findings);
            for (side, features) in [
                (Side::Near, of(Side::is_edge)),
                (Side::LeftEnd, of(Side::is_end)),
            ] {
                if let Some(frame) = work.documents.side_frame(part, side)
                    && !features.is_empty()
                {
                    let part = standing(part, side, features, z.mean);
                    variants.extend(Fitting::new(&part, frame, settings, &mut findings).standing());
                }
            }
        }
        work.variants = variants;
        work.findings.extend(findings);
        Ok(())
    }
}

fn check_settings(documents: &Documents, settings: &FitSettings, findings: &mut Vec<Finding>) {
    let into = settings.into_spoilboard.mm();
    if !(into > 0.0 && into <= DEEPEST_INTO_SPOILBOARD_MM) {
        let message = format!(
            "The setting into-spoilboard of the fit stage is {into} mm; it must be above 0 and at most {DEEPEST_INTO_SPOILBOARD_MM} mm."
        );
        let at = documents.setting("fit", &["into-spoilboard"]);
        findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(at));
    }
    for (name, value) in [
        ("least-wall", settings.least_wall),
        ("least-floor", settings.least_floor),
        ("least-behind-mortise", settings.least_behind_mortise),
        ("cup-limit", settings.cup_limit),
        ("end-room", settings.end_room),
        ("glue-room", settings.glue_room),
        ("slot-room", settings.slot_room),
        ("most-movement", settings.most_movement),
    ] {
        if !(value.mm().is_finite() && value.mm() >= 0.0) {
            let message = format!(
                "The setting {name} of the fit stage is {} mm; it must be 0 or more.",
                value.mm()
            );
            let at = documents.setting("fit", &[name]);
            findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(at));
        }
    }
}

/// The heights of the stocks that parts are cut from, where they can be used.
fn check_stocks<'p>(
    documents: &Documents,
    parts: &'p [Part],
    settings: &FitSettings,
    findings: &mut Vec<Finding>,
) -> BTreeMap<&'p str, ZFrame> {
    let mut out = BTreeMap::new();
    let used: std::collections::BTreeSet<&str> = parts.iter().map(|p| p.stock.as_str()).collect();
    for id in used {
        // An unknown stock was named by the stage that read the part.
        let (Some(stock), Some(z)) = (documents.stock(id), documents.z_frame(id)) else {
            continue;
        };
        let thickness = thickness_at(&documents.job, id);
        let bought = stock_of(id);
        let place = match documents.job.stocks.contains_key(bought) {
            true => Pointer::job(),
            false => Pointer::shop(),
        };
        let at = place.step("stocks").step(bought);
        let before = findings.len();
        if stock.thickness.is_empty()
            || stock
                .thickness
                .iter()
                .any(|t| !(t.mm() > 0.0 && t.mm() <= 1000.0))
        {
            let message = format!("A thickness of the stock {id} is not above 0 and at most 1 m.");
            findings.push(Finding::new(&code::BAD_NUMBER, message).pointer(thickness.clone()));
        }
        check_readings(documents, id, stock, &thickness, findings);
        if crate::feeds::wood_of(documents, id).is_none() {
            let own = documents.shop.woods.keys().map(String::as_str);
            let known: Vec<&str> = own
                .chain(grainway_pipeline::doc::WOODS.iter().map(|w| w.name))
                .collect();
            let near = match grainway_pipeline::chain::nearest(&stock.wood, known.iter().copied()) {
                Some(n) => format!("the nearest is {n}"),
                None => format!("known are {}", known.join(", ")),
            };
            let message = format!(
                "The stock {id} is of a wood {} that is not known; {near}.",
                stock.wood
            );
            findings.push(Finding::new(&code::UNKNOWN_NAME, message).pointer(at.step("wood")));
        }
        let (cup, limit) = (stock.cup.mm(), settings.cup_limit.mm());
        if !(cup.is_finite() && cup >= 0.0) {
            findings.push(
                Finding::new(
                    &code::BAD_NUMBER,
                    format!("The cup of the stock {id} is {cup} mm."),
                )
                .pointer(at.step("cup")),
            );
        } else if cup > limit {
            let message =
                format!("The stock {id} is cupped by {cup} mm, more than the limit of {limit} mm.");
            findings.push(Finding::new(&code::CUP_BEYOND_LIMIT, message).pointer(at.step("cup")));
        }
        check_spoilboard(documents, id, &z, settings, findings);
        if findings[before..]
            .iter()
            .all(|f| f.code != code::BAD_NUMBER.word)
        {
            out.insert(id, z);
        }
    }
    out
}

/// Readings that look like a slip of the pen ask to be confirmed.
fn check_readings(
    documents: &Documents,
    id: &str,
    stock: &Stock,
    at: &Pointer,
    findings: &mut Vec<Finding>,
) {
    let mm = |i: usize| tidy(stock.thickness[i].mm());
    let (low, _, high) = stock.readings_mm();
    let mut ask = |info, i: usize, message| {
        let remedy = format!(
            "Measure again. If it is right, write {{ \"thickness\": \"{}mm\", \"confirmed\": true }} in its place.",
            mm(i)
        );
        let mut finding = Finding::new(info, message).pointer(match own_wood(id) {
            Some((_, Own::Board(_))) => at.clone(),
            _ => at.step(i),
        });
        finding.remedy = remedy;
        findings.push(finding);
    };
    for i in stock.too_far_apart() {
        let message = format!(
            "The thickness readings of the stock {id} lie {} mm apart, from {} to {} mm; more than {WIDEST_SPREAD_MM} mm is accepted only when confirmed. This one is {} mm.",
            tidy(high - low),
            tidy(low),
            tidy(high),
            mm(i)
        );
        ask(&code::READINGS_APART, i, message);
    }
    let before = match own_wood(id) {
        Some((stock, _)) => documents.stock(stock),
        None => {
            let of_shop = documents.shop.stocks.get(documents.own_name(id));
            of_shop.filter(|_| documents.job.stocks.contains_key(id))
        }
    };
    let Some(before) = before else {
        return;
    };
    let (low, _, high) = before.readings_mm();
    let (what, other) = match own_wood(id) {
        Some((of, Own::Board(board))) => (
            format!("The board {board} of the stock {of} has"),
            "the stock",
        ),
        Some((of, Own::Blank(part))) => (
            format!("The blank {part} of the stock {of} has"),
            "the stock",
        ),
        None => (format!("The job gives the stock {id}"), "the shop"),
    };
    for i in stock.unlike(before) {
        let message = format!(
            "{what} a thickness of {} mm, {other} {}; a difference of more than {} % is accepted only when confirmed.",
            mm(i),
            if low < high {
                format!("{} to {} mm", tidy(low), tidy(high))
            } else {
                format!("{} mm", tidy(low))
            },
            tidy(UNLIKE_SHARE * 100.0)
        );
        ask(&code::READING_UNLIKE_SHOP, i, message);
    }
}

/// How deep through cuts of this stock go into the spoilboard at worst.
fn check_spoilboard(
    documents: &Documents,
    id: &str,
    z: &ZFrame,
    settings: &FitSettings,
    findings: &mut Vec<Finding>,
) {
    let Some((name, machine)) = documents.machine() else {
        return;
    };
    let deepest = z.into_spoilboard(z.through(settings.into_spoilboard.mm()));
    let (board, spread) = (machine.spoilboard.mm(), z.thickest - z.thinnest);
    if !(board.is_finite() && board > 0.0) {
        let message = format!(
            "The spoilboard of the machine {name} is {board} mm thick; it must be above 0."
        );
        findings.push(
            Finding::new(&code::BAD_NUMBER, message).pointer(
                Pointer::shop()
                    .step("machines")
                    .step(name)
                    .step("spoilboard"),
            ),
        );
        return;
    }
    // At least a millimetre of spoilboard stays under every through cut, lest the machine's bed is cut.
    if deepest > board - 1.0 {
        let why = match z.zero {
            ZZero::Bed => String::new(),
            ZZero::Top => format!(
                ", of which {} mm are the spread of the thickness readings",
                tidy(spread)
            ),
        };
        let message = format!(
            "Through cuts in the stock {id} go {} mm into the spoilboard, which is {} mm thick{why}.",
            tidy(deepest),
            tidy(board)
        );
        findings.push(Finding::new(&code::INTO_SPOILBOARD, message));
    }
}

fn tidy(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0 + 0.0
}

/// How to turn a piece so that the least is cut over the edges that it lies against: over its long edge these are the far edge and the
/// left end, over its end the near edge and the right end. What its face and those edges themselves lose there counts by its height: so much
/// less wood bears.
fn turn(face: &[SizedFeature], back: &[SizedFeature], part: &Part, z: &ZFrame) -> Turn {
    let whole = part.outline.bounds();
    // The share of an edge that a feature runs out over.
    let share = |from: f64, to: f64, most: f64| (to.min(most) - from.max(0.0)).max(0.0) / most;
    let over = |turn: Turn| -> f64 {
        let lost = |b: Bounds| {
            let along = share(b.min.x, b.max.x, whole.max.x);
            let across = share(b.min.y, b.max.y, whole.max.y);
            let reached = whole.grown(-SAME_POINT_MM);
            let (edge, end) = match turn {
                Turn::OverEdge => (b.max.y > reached.max.y, b.min.x < reached.min.x),
                Turn::OverEnd => (b.min.y < reached.min.y, b.max.x > reached.max.x),
            };
            let of = |is: bool, share: f64| if is { share } else { 0.0 };
            of(edge, along) + of(end, across)
        };
        let hollow = |f: &SizedFeature| {
            let deep = ((z.top() - f.floor) / z.mean).clamp(0.0, 1.0);
            deep * lost(f.shape.bounds())
        };
        let of_back: f64 = back.iter().map(|f| lost(f.shape.bounds())).sum();
        let cut = face.iter().filter(|f| f.kind != FeatureKind::Outline);
        let of_edges = part.features.iter().map(|f| {
            let long = match (turn, f.side) {
                (Turn::OverEdge, Side::Far) | (Turn::OverEnd, Side::Near) => whole.max.x,
                (Turn::OverEdge, Side::LeftEnd) | (Turn::OverEnd, Side::RightEnd) => whole.max.y,
                _ => return 0.0,
            };
            (f.shape.area().abs() / (long * z.mean)).min(1.0)
        });
        of_back + cut.map(hollow).sum::<f64>() + of_edges.sum::<f64>()
    };
    match over(Turn::OverEdge) <= over(Turn::OverEnd) {
        true => Turn::OverEdge,
        false => Turn::OverEnd,
    }
}

/// The feature as it lies when its piece of this size is turned.
fn turned(feature: SizedFeature, turn: Turn, size: Point) -> SizedFeature {
    let shape = turn.contour(&feature.shape, size);
    let middle = shape.bounds().centre();
    SizedFeature {
        islands: feature
            .islands
            .iter()
            .map(|i| turn.contour(i, size))
            .collect(),
        circle: feature.circle.map(|(_, d)| (middle, d)),
        shape,
        ..feature
    }
}

/// Two recesses lie over one another, seen from the face.
fn overlap(a: &SizedFeature, b: &SizedFeature) -> bool {
    a.shape.bounds().touches(b.shape.bounds())
        && grainway_geom::intersection(&[a.region()], &[b.region()])
            .iter()
            .any(|r| r.area() > SAME_POINT_MM)
}

/// The room that a feature takes in its part: along, across, and from the face down, mm.
fn room(f: &Feature, thickness: f64, size: Point) -> [(f64, f64); 3] {
    let b = f.shape.bounds();
    let whole = match f.side {
        Side::Face | Side::Back => thickness,
        Side::Near | Side::Far => size.y,
        Side::LeftEnd | Side::RightEnd => size.x,
    };
    let deep = match (f.depth, f.left) {
        (Some(Depth::Below(d)), _) => d.mm(),
        (None, Some(left)) => whole - left,
        _ => whole,
    };
    let along = (b.min.x, b.max.x);
    match f.side {
        Side::Face => [along, (b.min.y, b.max.y), (0.0, deep)],
        Side::Back => [along, (b.min.y, b.max.y), (thickness - deep, thickness)],
        Side::Near => [along, (0.0, deep), (b.min.y, b.max.y)],
        Side::Far => [along, (size.y - deep, size.y), (b.min.y, b.max.y)],
        Side::LeftEnd => [(0.0, deep), along, (b.min.y, b.max.y)],
        Side::RightEnd => [(size.x - deep, size.x), along, (b.min.y, b.max.y)],
    }
}

/// Tells of recesses of two sides that run into one another inside the wood, those of face and back apart, and of tenons that do. Boxes are
/// compared: round ends may still miss each other. `own`: the part before its joints got room, where a mortise is as large as its tenon.
fn recesses_meet(part: &Part, own: &Part, thickness: f64, findings: &mut Vec<Finding>) {
    let size = part.outline.bounds().max;
    let mate = |f: &Feature| own.features.iter().find(|o| o.key == f.key);
    let deep = |f: &&Feature| f.kind != FeatureKind::Engraving;
    let all = || part.features.iter().filter(deep);
    for e in all().filter(|e| !e.side.is_flat()) {
        for f in all().filter(|f| f.side < e.side) {
            let tenons = mate(e).zip(mate(f));
            if let Some((e, f)) = tenons
                && let Some(told) = joints::tenons_meet(e, f, |f| room(f, thickness, size))
            {
                findings.push(told.part(&part.id).feature(&e.key));
                continue;
            }
            let (a, b) = (room(e, thickness, size), room(f, thickness, size));
            if a.iter().zip(b).all(|(a, b)| a.0.max(b.0) < a.1.min(b.1)) {
                let message = format!(
                    "{} in the {} and {} in the {} run into one another inside the wood.",
                    e.key,
                    e.side.word(),
                    f.key,
                    f.side.word()
                );
                let finding = Finding::new(&code::RECESSES_MEET, message).part(&part.id);
                findings.push(finding.feature(&e.key));
            }
        }
    }
}

/// The part as it stands on an edge, as long as it is, or on an end, as long as it is wide; as wide as it is thick.
fn standing(part: &Part, side: Side, features: Vec<Feature>, thickness: f64) -> Part {
    let size = part.outline.bounds();
    let long = if side.is_end() {
        size.height()
    } else {
        size.width()
    };
    let corner = grainway_geom::point(long, thickness);
    Part {
        outline: Contour::rectangle(Point::default(), corner, 0.0),
        dimensioned: true,
        features,
        ..part.clone()
    }
}

struct Fitting<'a> {
    part: &'a Part,
    outline: Outer<'a>,
    z: ZFrame,
    settings: &'a FitSettings,
    findings: &'a mut Vec<Finding>,
}

impl<'a> Fitting<'a> {
    fn new(
        part: &'a Part,
        z: ZFrame,
        settings: &'a FitSettings,
        findings: &'a mut Vec<Finding>,
    ) -> Fitting<'a> {
        Fitting {
            part,
            outline: Outer::new(&part.outline),
            z,
            settings,
            findings,
        }
    }

    /// The part's sides that something is cut from: the face with the outline first, then the back. `whole` has what is cut from its edges too.
    fn variants(mut self, whole: &Part) -> Vec<Variant> {
        let part = self.part;
        let sized: Vec<(Side, SizedFeature)> = part
            .features
            .iter()
            .filter_map(|f| {
                let sized = self.size(f)?;
                // What goes through needs no turning.
                let side = if sized.through { Side::Face } else { f.side };
                Some((side, sized))
            })
            .collect();
        let (back, face): (Vec<_>, Vec<_>) = sized.into_iter().partition(|s| s.0 == Side::Back);
        let [back, mut face] = [back, face].map(|l| l.into_iter().map(|s| s.1).collect::<Vec<_>>());
        self.walls(&face);
        self.walls(&back);
        self.between_sides(&face, &back);
        if !part.dimensioned {
            face.push(self.outline());
        }
        let turn = turn(&face, &back, whole, &self.z);
        let mut variants = Vec::new();
        if !face.is_empty() || back.is_empty() {
            let outline = part.outline.clone();
            variants.push(self.side(Side::Face, Turn::OverEdge, outline, face));
        }
        if !back.is_empty() {
            let size = part.outline.bounds().max;
            let outline = turn.contour(&part.outline, size);
            let back = back.into_iter().map(|f| turned(f, turn, size)).collect();
            variants.push(self.side(Side::Back, turn, outline, back));
        }
        variants
    }

    /// The edges, or the ends, that something is cut from, of a part that stands on one of them.
    fn standing(mut self) -> Vec<Variant> {
        let part = self.part;
        let size = part.outline.bounds().max;
        let mut of: BTreeMap<Side, Vec<SizedFeature>> = BTreeMap::new();
        for f in &part.features {
            let Some(sized) = self.size(f) else {
                continue;
            };
            // What goes through is cut from the near edge, or from the left end.
            let side = match (sized.through, f.side.is_end()) {
                (false, _) => f.side,
                (true, false) => Side::Near,
                (true, true) => Side::LeftEnd,
            };
            of.entry(side).or_default().push(sized);
        }
        let mut variants = Vec::new();
        for (side, features) in of {
            self.walls(&features);
            let turn = match side {
                // With the near edge up and the left end left, the face lies far.
                Side::Near => Some(Turn::OverEdge),
                // With the right end up and the face near, the far edge lies left.
                Side::RightEnd => Some(Turn::OverEnd),
                _ => None,
            };
            let features = match turn {
                Some(turn) => features
                    .into_iter()
                    .map(|f| turned(f, turn, size))
                    .collect(),
                None => features,
            };
            variants.push(self.side(side, Turn::OverEdge, part.outline.clone(), features));
        }
        variants
    }

    fn side(
        &self,
        side: Side,
        turn: Turn,
        outline: Contour,
        mut features: Vec<SizedFeature>,
    ) -> Variant {
        let part = self.part;
        features.sort_by(|a, b| a.key.cmp(&b.key));
        Variant {
            id: match side {
                Side::Face => part.id.clone(),
                Side::Back => format!("{}~back", part.id),
                Side::Near => format!("{}~near", part.id),
                Side::Far => format!("{}~far", part.id),
                Side::LeftEnd => format!("{}~left-end", part.id),
                Side::RightEnd => format!("{}~right-end", part.id),
            },
            part: part.id.clone(),
            side,
            turn,
            stock: part.stock.clone(),
            z: self.z,
            outline,
            // Once its outline is cut a part is as good as a dimensioned blank.
            dimensioned: part.dimensioned || side != Side::Face,
            features,
            steps: Vec::new(),
        }
    }

    /// Wood between a recess of the face and one of the back behind it.
    fn between_sides(&mut self, face: &[SizedFeature], back: &[SizedFeature]) {
        let least = self.settings.least_floor.mm();
        let blind = |f: &&SizedFeature| !f.through && f.kind != FeatureKind::Engraving;
        for b in back.iter().filter(blind) {
            for f in face.iter().filter(blind) {
                let left = self.z.between_floors(f.floor, b.floor);
                if left >= least || !overlap(f, b) {
                    continue;
                }
                let message = match left > 0.0 {
                    true => format!(
                        "Only {} mm of wood stay between {} in the face and {} in the back; {least} mm are the least.",
                        tidy(left),
                        f.key,
                        b.key
                    ),
                    false => format!(
                        "{} in the face and {} in the back cut into one another.",
                        f.key, b.key
                    ),
                };
                let mut finding = Finding::new(&code::FLOOR_THIN, message)
                    .part(&self.part.id)
                    .feature(&b.key);
                if left <= 0.0 {
                    finding = finding.severity(Severity::Error);
                }
                if let Some(at) = b.shape.start() {
                    finding = finding.at(at);
                }
                self.findings.push(finding);
            }
        }
    }

    fn find(
        &mut self,
        info: &'static grainway_pipeline::finding::CodeInfo,
        f: &Feature,
        message: String,
    ) -> &mut Finding {
        let mut finding = Finding::new(info, message)
            .part(&self.part.id)
            .feature(&f.key);
        finding.pointer.clone_from(&f.source.pointer);
        if let Some(at) = f.circle.map(|c| c.0).or_else(|| f.shape.start()) {
            finding = finding.at(at);
        }
        self.findings.push(finding);
        let last = self.findings.len() - 1;
        &mut self.findings[last]
    }

    fn outline(&self) -> SizedFeature {
        let part = self.part;
        SizedFeature {
            key: "outline".to_string(),
            kind: FeatureKind::Outline,
            shape: part.outline.clone(),
            islands: Vec::new(),
            circle: None,
            floor: self.z.through(self.settings.into_spoilboard.mm()),
            through: true,
            relief: part.outline_relief.clone(),
            corners: Vec::new(),
            if_unreachable: Default::default(),
            leave: None,
            cutter_wanted: part.outline_cutter.clone(),
            cutter: None,
            waste: None,
            source: Source {
                at: part.source.at,
                ..part.source.clone()
            },
        }
    }

    /// The feature with its floor; `None` when it cannot be cut, which is then a finding.
    fn size(&mut self, f: &Feature) -> Option<SizedFeature> {
        self.check_place(f)?;
        let z = self.z;
        let through_by_kind = matches!(f.kind, FeatureKind::Cutout);
        let (through, floor) = match (f.depth, f.left) {
            (Some(Depth::Through), _) => (true, 0.0),
            (Some(Depth::Below(d)), _) => {
                let d = d.mm();
                if d > z.thickest + THROUGH_MM {
                    let message = format!(
                        "The {} is {} mm deep in wood of {} mm.",
                        f.kind.word(),
                        tidy(d),
                        tidy(z.thickest)
                    );
                    self.find(&code::DEPTH_BEYOND_STOCK, f, message);
                    return None;
                }
                (d >= z.mean - THROUGH_MM, z.floor_below(d))
            }
            (None, Some(left)) => {
                if left >= z.thinnest {
                    let message = format!(
                        "The {} is to leave {} mm of wood that is {} mm thick.",
                        f.kind.word(),
                        tidy(left),
                        tidy(z.thinnest)
                    );
                    self.find(&code::DEPTH_BEYOND_STOCK, f, message).remedy =
                        "Correct the wood left.".to_string();
                    return None;
                }
                (left <= THROUGH_MM, z.floor_leaving(left))
            }
            (None, None) if through_by_kind => (true, 0.0),
            (None, None) => {
                self.find(
                    &code::BAD_NUMBER,
                    f,
                    format!("Nothing says how deep the {} is.", f.kind.word()),
                );
                return None;
            }
        };
        // What is cut through goes into the spoilboard whatever was said; a cutout that stops is a pocket.
        let through = through || through_by_kind && f.depth.is_none() && f.left.is_none();
        let floor = if through {
            z.through(self.settings.into_spoilboard.mm())
        } else {
            floor
        };
        if !through {
            self.check_floor(f, floor)?;
        }
        Some(SizedFeature {
            key: f.key.clone(),
            kind: f.kind,
            shape: f.shape.clone(),
            islands: f.islands.clone(),
            circle: f.circle,
            floor,
            through,
            relief: f.relief.clone(),
            corners: Vec::new(),
            if_unreachable: f.if_unreachable.unwrap_or_default(),
            leave: f.leave,
            cutter_wanted: f.cutter.clone(),
            cutter: None,
            waste: f.waste.clone(),
            source: f.source.clone(),
        })
    }

    /// The feature lies in its part as its kind must.
    fn check_place(&mut self, f: &Feature) -> Option<()> {
        let (own, part) = (f.shape.bounds(), self.part.outline.bounds());
        let place = |b: Bounds| {
            format!(
                "x {} to {}, y {} to {}",
                tidy(b.min.x),
                tidy(b.max.x),
                tidy(b.min.y),
                tidy(b.max.y)
            )
        };
        let word = f.kind.word();
        let runs_out = f.kind.is_cleared() && f.kind != FeatureKind::Mortise
            || f.kind == FeatureKind::Engraving;
        match self.outline.lies(&f.shape) {
            Lies::Inside => Some(()),
            Lies::Across if runs_out => Some(()),
            Lies::Across => {
                let message = format!(
                    "The {word} ({}) reaches over its part's edge ({}).",
                    place(own),
                    place(part)
                );
                self.find(&code::FEATURE_OUTSIDE_PART, f, message);
                None
            }
            Lies::Outside => {
                let message = format!(
                    "The {word} ({}) lies outside its part ({}).",
                    place(own),
                    place(part)
                );
                self.find(&code::FEATURE_OUTSIDE_PART, f, message);
                None
            }
        }
    }

    /// The wood under a blind feature.
    fn check_floor(&mut self, f: &Feature, floor: f64) -> Option<()> {
        let z = self.z;
        // With zero on the bed a floor stands over the bed whatever the thickness; with zero on top the thinnest reading decides.
        let under = floor - z.highest_underside();
        let (least, behind) = match f.kind {
            FeatureKind::Mortise => (self.settings.least_behind_mortise.mm(), " behind"),
            _ => (self.settings.least_floor.mm(), " under"),
        };
        if under <= 0.0 {
            let message = format!(
                "The {} is to stop inside the wood but cuts through it where it is thinnest ({} mm).",
                f.kind.word(),
                tidy(z.thinnest)
            );
            self.find(&code::DEPTH_BEYOND_STOCK, f, message);
            return None;
        }
        if under < least {
            let message = format!(
                "Only {} mm of wood stay{behind} the {}; {least} mm are the least.",
                tidy(under),
                f.kind.word()
            );
            self.find(&code::FLOOR_THIN, f, message).severity = Severity::Warning;
        }
        Some(())
    }

    /// Wood between two features, and between a feature and the edge.
    fn walls(&mut self, features: &[SizedFeature]) {
        let least = self.settings.least_wall.mm();
        let cut: Vec<&SizedFeature> = features
            .iter()
            .filter(|f| f.kind != FeatureKind::Engraving)
            .collect();
        let boxes: Vec<Bounds> = cut.iter().map(|f| f.shape.bounds()).collect();
        let outers: Vec<Outer<'_>> = cut.iter().map(|f| Outer::new(&f.shape)).collect();
        let mut pairs = near_pairs(&boxes, least).into_iter().peekable();
        for (i, f) in cut.iter().enumerate() {
            if self.outline.lies(&f.shape) == Lies::Inside
                && let Some((wall, at)) = wall(&f.shape, &self.outline.index, least)
            {
                let word = f.kind.word();
                let message = format!(
                    "A wall of {} mm stays between the {word} and the part's edge; {least} mm are the least.",
                    tidy(wall)
                );
                self.wall_finding(f, breaks(wall, &[f]), at, message);
            }
            while let Some((_, j)) = pairs.next_if(|pair| pair.0 == i) {
                let g = cut[j];
                let apart = outers[j].lies(&f.shape) == Lies::Outside
                    && outers[i].lies(&g.shape) == Lies::Outside;
                let found = wall(&f.shape, &outers[j].index, least);
                let Some((wall, at)) = found.filter(|_| apart) else {
                    continue;
                };
                let message = format!(
                    "A wall of {} mm stays between the {} and the {} {}; {least} mm are the least.",
                    tidy(wall),
                    f.kind.word(),
                    g.kind.word(),
                    g.key
                );
                self.wall_finding(f, breaks(wall, &[f, g]), at, message);
            }
        }
    }

    fn wall_finding(&mut self, f: &SizedFeature, breaks: bool, at: Point, message: String) {
        let severity = if breaks {
            Severity::Error
        } else {
            code::WALL_THIN.severity
        };
        let finding = Finding::new(&code::WALL_THIN, message)
            .severity(severity)
            .part(&self.part.id)
            .feature(&f.key)
            .at(at);
        self.findings.push(finding);
    }
}

/// A wall beside a cut that goes through stands on nothing, and breaks when it is too thin.
fn breaks(wall: f64, beside: &[&SizedFeature]) -> bool {
    let through = |f: &&SizedFeature| f.through || f.kind == FeatureKind::Cutout;
    wall < BREAKS_MM && beside.iter().any(through)
}

/// The least distance between a boundary and another, and where on the first, when it is a wall and thinner than `least`.
fn wall(contour: &Contour, other: &SegmentIndex, least: f64) -> Option<(f64, Point)> {
    let nearest = contour
        .segments()
        .filter_map(|s| other.distance_to_segment(&s, least));
    let (distance, at) = nearest.min_by(|x, y| x.0.total_cmp(&y.0))?;
    (distance > TOUCHING_MM && distance < least - SAME_POINT_MM).then_some((distance, at))
}

#[cfg(test)]
mod tests {
    use crate::drawing::trial::{Held, SHOP, run, with_code};
    use crate::lies::tests::looks;
    use grainway_pipeline::work::Work;

    fn fit(features: &str, shop: &str) -> Work {
        let job = format!(
            r#"{{ "format": "grainway.job/1", "name": "t", "shop": "s", "parts": [
            {{ "id": "p", "stock": "ash-22", "blank": {{ "length": 300, "width": 100 }}, "features": [ {features} ] }} ] }}"#
        );
        run(&job, shop, Held::default(), true)
    }

    fn pocket(id: &str, x: f64, size: f64, depth: &str) -> String {
        format!(
            r#"{{ "id": "{id}", "kind": "pocket", "shape": {{ "rectangle": {{ "at": [{x}, 30], "size": [{size}, 20] }} }}, {depth} }}"#
        )
    }

    #[test]
    fn floors_by_both_zeros() {
        let features = [
            pocket("a", 20.0, 20.0, r#""depth": 5"#),
            pocket("b", 60.0, 20.0, r#""left": 7"#),
            pocket("c", 100.0, 20.0, r#""depth": 21.97"#),
            pocket("d", 140.0, 20.0, r#""depth": "through""#),
        ]
        .join(",");
        // ash-22: readings 21.9, 22, 22.1.
        for (zero, expected) in [
            ("bed", [17.0, 7.0, -0.3, -0.3]),
            ("top", [-5.0, -15.0, -22.4, -22.4]),
        ] {
            let work = fit(&features, &SHOP.replace("\"bed\"", &format!("\"{zero}\"")));
            assert!(!work.has_errors(), "{:#?}", work.findings);
            let v = &work.variants[0];
            for (key, floor) in ["a", "b", "c", "d"].iter().zip(expected) {
                let f = v.features.iter().find(|f| f.key == *key).unwrap();
                assert!((f.floor - floor).abs() < 1e-9, "{zero} {key}: {}", f.floor);
                assert_eq!(f.through, floor < -22.2 || zero == "bed" && floor < 0.0);
            }
            assert!(v.features.iter().any(|f| f.key == "outline" && f.through));
        }
    }

    #[test]
    fn thin_walls_and_floors_are_warnings() {
        let features = [
            pocket("a", 20.0, 20.0, r#""depth": 5"#),
            pocket("b", 41.5, 20.0, r#""depth": 5"#),
            pocket("edge", 278.8, 20.0, r#""depth": 5"#),
            pocket("floor", 100.0, 20.0, r#""depth": 20.5"#),
            pocket("mortise", 140.0, 20.0, r#""depth": 17"#).replace("pocket", "mortise"),
            pocket("fine", 180.0, 20.0, r#""depth": 17"#),
        ]
        .join(",");
        let work = fit(&features, SHOP);
        assert!(!work.has_errors(), "{:#?}", work.findings);
        let walls: Vec<String> = with_code(&work, "wall-thin")
            .iter()
            .map(|f| f.message.clone())
            .collect();
        assert_eq!(walls.len(), 2, "{walls:?}");
        assert!(
            walls[0].contains("1.5 mm") && walls[1].contains("1.2 mm"),
            "{walls:?}"
        );
        let floors: Vec<_> = with_code(&work, "floor-thin")
            .iter()
            .map(|f| f.feature.clone().unwrap())
            .collect();
        assert_eq!(floors, ["floor", "mortise"]);
    }

    #[test]
    fn a_wall_of_a_hair_beside_a_cut_through_is_refused_unless_it_is_allowed() {
        let cutout = |x: f64| {
            format!(
                r#"{{ "kind": "cutout", "id": "opening", "shape": {{ "rectangle": {{ "at": [{x}, 20], "size": [20, 20] }} }} }}"#
            )
        };
        let beside = |gap: f64| {
            let features = [pocket("a", 20.0, 20.0, r#""depth": 5"#), cutout(40.0 + gap)].join(",");
            fit(&features, SHOP)
        };
        for (gap, refused) in [(0.45, true), (0.55, false)] {
            let work = beside(gap);
            assert_eq!(with_code(&work, "wall-thin").len(), 1);
            assert_eq!(work.has_errors(), refused, "{:#?}", work.findings);
        }
    }

    #[test]
    fn places_and_depths_that_cannot_be() {
        let features = [
            pocket("outside", 310.0, 20.0, r#""depth": 5"#),
            pocket("runs-out", 290.0, 20.0, r#""depth": 5"#),
            pocket("mortise", 290.0, 20.0, r#""depth": 5"#).replace("pocket", "mortise"),
            pocket("deep", 20.0, 20.0, r#""depth": 23"#),
            pocket("left", 60.0, 20.0, r#""left": 30"#),
        ]
        .join(",");
        let work = fit(&features, SHOP);
        let outside: Vec<_> = with_code(&work, "feature-outside-part")
            .iter()
            .map(|f| f.feature.clone().unwrap())
            .collect();
        assert_eq!(outside, ["mortise", "outside"]);
        assert!(
            with_code(&work, "feature-outside-part").iter().all(
                |f| f.at.is_some() && f.message.contains("x 290") | f.message.contains("x 310")
            )
        );
        let deep: Vec<_> = with_code(&work, "depth-beyond-stock")
            .iter()
            .map(|f| f.feature.clone().unwrap())
            .collect();
        assert_eq!(deep, ["deep", "left"]);
        assert!(
            work.variants[0]
                .features
                .iter()
                .any(|f| f.key == "runs-out")
        );
    }

    #[test]
    fn stocks_that_cannot_be_used() {
        let shop = |from: &str, to: &str| SHOP.replace(from, to);
        let code = |shop: String| -> Vec<String> {
            fit("", &shop)
                .findings
                .iter()
                .map(|f| f.code.clone())
                .collect()
        };
        assert_eq!(code(SHOP.to_string()), Vec::<String>::new());
        assert_eq!(code(shop("\"ash\"", "\"ahs\"")), ["unknown-name"]);
        assert!(
            fit("", &shop("\"ash\"", "\"ahs\"")).findings[0]
                .message
                .contains("the nearest is ash")
        );
        assert_eq!(
            code(shop("22.1]", "22.1], \"cup\": 0.6")),
            ["cup-beyond-limit"]
        );
        assert_eq!(
            code(shop("\"spoilboard\": 18", "\"spoilboard\": 1.2")),
            ["into-spoilboard"]
        );
        // Zero on top: the spread of the readings comes on top of the 0.3 mm.
        let top = SHOP
            .replace("\"bed\"", "\"top\"")
            .replace("21.9, 22, 22.1", "15, 22, 32");
        assert_eq!(
            code(top),
            ["into-spoilboard", "readings-apart", "readings-apart"]
        );
    }

    #[test]
    fn work_grows_with_the_number_of_holes_not_with_its_square() {
        let work = |rows: usize| {
            let at: Vec<String> = (0..rows * 50)
                .map(|i| {
                    format!(
                        "[{}, {}]",
                        5.0 + (i % 50) as f64 * 4.5,
                        5.0 + (i / 50) as f64 * 4.5
                    )
                })
                .collect();
            let holes = format!(
                r#"{{ "id": "h", "kind": "hole", "depth": 5, "shape": {{ "circles": {{ "diameter": 3, "at": [{}] }} }} }}"#,
                at.join(",")
            );
            looks(|| {
                let work = fit(&holes, SHOP);
                assert_eq!(
                    with_code(&work, "feature-outside-part").len(),
                    0,
                    "{:?}",
                    work.findings.first()
                );
            })
        };
        let (few, many) = (work(5), work(20));
        assert!(few > 250 && many < 5 * few, "{few} {many}");
    }
}
