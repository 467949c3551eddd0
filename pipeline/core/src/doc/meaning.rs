//! What a schema cannot say of documents: numbers in their ranges, one of two keys, names used once.

mod joints;

use super::problem::Problem;
use super::{
    BlankDoc, Board, ContourPoint, ContourShape, Cutter, CutterKind, Depth, Drawing, End,
    FeatureDoc, FeatureKind, HandMinutes, Job, LabelSheet, LayerRule, Length, Machine, Night,
    PartDoc, Prices, Relief, Shape, Shop, Stock, ThicknessReading, WoodPrice,
};
use crate::pointer::Pointer;
use grainway_geom::{Bounds, Point, point};
use std::collections::BTreeSet;

/// Lengths beyond this are a slip of the pen: 100 m.
const LARGEST_MM: f64 = 100_000.0;
/// More copies than this are a slip of the pen.
const MOST_COPIES: u32 = 10_000;
/// A price or an hour beyond this is a slip of the pen; sums of what is below it stay whole numbers of hundredths.
const LARGEST_PRICE: f64 = 1_000_000.0;
/// Diameters of cutters for wood, mm: from the thinnest that engraves to the widest that surfaces a spoilboard. Common practice, no source.
const CUTTER_MM: [f64; 2] = [0.5, 200.0];
/// Ids are part of file names.
const LONGEST_ID: usize = 80;

/// Collects problems below one place of a document.
struct At<'a> {
    pointer: Pointer,
    problems: &'a mut Vec<Problem>,
}

impl At<'_> {
    fn below(&mut self, step: impl std::fmt::Display) -> At<'_> {
        At {
            pointer: self.pointer.step(step),
            problems: self.problems,
        }
    }
    fn say(&mut self, message: impl Into<String>) {
        self.problems
            .push(Problem::new(self.pointer.clone(), message));
    }
    fn number(&mut self, message: impl Into<String>) {
        self.problems
            .push(Problem::number(self.pointer.clone(), message));
    }
    /// A length that may have any sign.
    fn place(&mut self, step: &str, l: Length) {
        if l.mm().is_nan() || l.mm().abs() > LARGEST_MM {
            self.below(step).number(format!(
                "{} mm is beyond the {LARGEST_MM} mm that any shop needs.",
                l.mm()
            ));
        }
    }
    fn places(&mut self, step: &str, p: &[Length; 2]) {
        let mut at = self.below(step);
        for (i, l) in p.iter().enumerate() {
            at.place(&i.to_string(), *l);
        }
    }
    /// A length above 0.
    fn size(&mut self, step: &str, l: Length) {
        if l.mm() <= 0.0 {
            self.below(step)
                .number(format!("{} mm should be more than 0.", l.mm()));
        } else {
            self.place(step, l);
        }
    }
    /// A length of 0 or more.
    fn not_negative(&mut self, step: &str, l: Length) {
        if l.mm() < 0.0 {
            self.below(step)
                .number(format!("{} mm should not be negative.", l.mm()));
        } else {
            self.place(step, l);
        }
    }
    fn sizes(&mut self, step: &str, p: &[Length]) {
        let mut at = self.below(step);
        for (i, l) in p.iter().enumerate() {
            at.size(&i.to_string(), *l);
        }
    }
    fn maybe_size(&mut self, step: &str, l: Option<Length>) {
        if let Some(l) = l {
            self.size(step, l);
        }
    }
    fn maybe_place(&mut self, step: &str, l: Option<Length>) {
        if let Some(l) = l {
            self.place(step, l);
        }
    }
    fn positive(&mut self, step: &str, v: f64) {
        if !(v > 0.0 && v.is_finite()) {
            self.below(step)
                .number(format!("{v} should be more than 0."));
        }
    }
    fn between(&mut self, step: &str, v: f64, low: f64, high: f64) {
        if !(v >= low && v <= high) {
            self.below(step)
                .number(format!("{v} should be between {low} and {high}."));
        }
    }
    /// A number from 0 to `most` with two decimals at most, so that it is a whole number of hundredths.
    fn hundredths(&mut self, step: &str, v: f64, most: f64) {
        self.between(step, v, 0.0, most);
        let hundredths = v * 100.0;
        // Far above the rounding of a float, far below a third decimal.
        if (hundredths - hundredths.round()).abs() > 1e-4 {
            self.below(step)
                .number(format!("{v} should have two decimals at most."));
        }
    }
    fn count(&mut self, step: &str, n: u32) {
        if n == 0 || n > MOST_COPIES {
            self.below(step)
                .number(format!("{n} should be between 1 and {MOST_COPIES}."));
        }
    }
    fn id(&mut self, id: &str) {
        let ok = !id.is_empty()
            && id.len() <= LONGEST_ID
            && !id.starts_with('.')
            && id
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c));
        if !ok {
            self.say(format!(
                "{id:?} cannot be an id: give letters, digits, - _ and . (not first), at most {LONGEST_ID}."
            ));
        }
    }
}

/// What is wrong with a job beyond its form.
pub(super) fn of_job(job: &Job) -> Vec<Problem> {
    let mut problems = Vec::new();
    let mut at = At {
        pointer: Pointer::default(),
        problems: &mut problems,
    };
    if job.name.trim().is_empty() {
        at.below("name").say("The job should have a name.");
    }
    at.count("sets", job.sets);
    for (name, length) in &job.lengths {
        at.below("lengths").place(name, *length);
    }
    stocks(&mut at, &job.stocks);
    let mut ids = BTreeSet::new();
    {
        let mut at = at.below("drawings");
        let mut drawings = BTreeSet::new();
        for (i, drawing) in job.drawings.iter().enumerate() {
            let mut at = at.below(i);
            at.below("id").id(&drawing.id);
            if !drawings.insert(&drawing.id) {
                at.below("id")
                    .say(format!("Two drawings have the id \"{}\".", drawing.id));
            }
            of_drawing(&mut at, drawing);
            for (key, part) in &drawing.parts {
                let mut at = at.below("parts");
                let mut at = at.below(key);
                if let Some(id) = &part.id {
                    at.below("id").id(id);
                    if !ids.insert(id.clone()) {
                        at.below("id")
                            .say(format!("Two parts have the id \"{id}\"."));
                    }
                }
                at.count("count", part.count);
                at.maybe_size("eased", part.eased);
                features(&mut at, &part.features);
            }
        }
    }
    {
        let mut at = at.below("parts");
        for (i, part) in job.parts.iter().enumerate() {
            let mut at = at.below(i);
            at.below("id").id(&part.id);
            if !ids.insert(part.id.clone()) {
                at.below("id")
                    .say(format!("Two parts have the id \"{}\".", part.id));
            }
            of_part(&mut at, part, job.sets);
        }
    }
    joints::of_joints(&mut at, &job.joints);
    if job.parts.is_empty() && job.drawings.is_empty() {
        at.say("The job has neither parts nor drawings.");
    }
    problems
}

/// What is wrong with a night beyond its form.
pub(super) fn of_night(night: &Night) -> Vec<Problem> {
    let mut problems = Vec::new();
    let mut at = At {
        pointer: Pointer::default(),
        problems: &mut problems,
    };
    if night.name.trim().is_empty() {
        at.below("name").say("The night should have a name.");
    }
    stocks(&mut at, &night.stocks);
    let mut ids = BTreeSet::new();
    let mut at = at.below("jobs");
    for (i, job) in night.jobs.iter().enumerate() {
        let mut at = at.below(i);
        at.below("id").id(&job.id);
        if !ids.insert(&job.id) {
            at.below("id")
                .say(format!("Two jobs have the id \"{}\".", job.id));
        }
        at.count("sets", job.sets);
        let sum = job.sha256.as_deref().unwrap_or(A_SUM);
        if sum.len() != A_SUM.len() || !sum.bytes().all(|b| b.is_ascii_hexdigit()) {
            at.below("sha256")
                .say("A SHA-256 has 64 hexadecimal digits.");
        }
    }
    problems
}

/// A SHA-256 as it is written.
const A_SUM: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// What is wrong with a shop beyond its form.
pub(super) fn of_shop(shop: &Shop) -> Vec<Problem> {
    let mut problems = Vec::new();
    let mut at = At {
        pointer: Pointer::default(),
        problems: &mut problems,
    };
    if shop.machines.is_empty() {
        at.below("machines").say("The shop should have a machine.");
    }
    for (id, machine) in &shop.machines {
        let mut at = at.below("machines");
        let mut at = at.below(id);
        at.id(id);
        of_machine(&mut at, machine);
    }
    let mut numbers = std::collections::BTreeMap::new();
    for (id, cutter) in &shop.cutters {
        let mut at = at.below("cutters");
        let mut at = at.below(id);
        at.id(id);
        if let Some(other) = numbers.insert(cutter.number, id) {
            at.below("number").say(format!(
                "Cutters {other} and {id} both have the number {}.",
                cutter.number
            ));
        }
        of_cutter(&mut at, cutter);
    }
    stocks(&mut at, &shop.stocks);
    for (name, wood) in &shop.woods {
        let mut at = at.below("woods");
        let mut at = at.below(name);
        at.between("density", wood.density, 0.05, 2.0);
        at.positive("hardness", wood.hardness);
        if let Some(movement) = wood.movement {
            at.between("movement", movement, 0.0005, 0.006);
        }
    }
    if let Some(prices) = &shop.prices {
        of_prices(&mut at.below("prices"), prices);
    }
    if let Some(labels) = &shop.labels {
        of_labels(&mut at.below("labels"), labels);
    }
    problems
}

fn of_labels(at: &mut At<'_>, sheet: &LabelSheet) {
    at.sizes("page", &sheet.page);
    at.sizes("label", &sheet.label);
    at.sizes("step", &sheet.step);
    let mut first = at.below("first");
    for (i, l) in sheet.first.iter().enumerate() {
        first.not_negative(&i.to_string(), *l);
    }
    for i in 0..2 {
        if sheet.step[i].mm() < sheet.label[i].mm() {
            at.below("step").below(i).number(format!(
                "Labels lie in one another: from one to the next are {} mm, and each takes {} mm.",
                sheet.step[i].mm(),
                sheet.label[i].mm()
            ));
        } else if sheet.columns_and_rows()[i] == 0 {
            at.below("page").below(i).number(format!(
                "No label fits: the page has {} mm, and the first label reaches to {} mm.",
                sheet.page[i].mm(),
                sheet.first[i].mm() + sheet.label[i].mm()
            ));
        }
    }
}

fn of_prices(at: &mut At<'_>, prices: &Prices) {
    if prices.currency.trim().is_empty() || prices.currency.len() > LONGEST_ID {
        at.below("currency").say(format!(
            "Write what stands behind amounts, such as EUR, in at most {LONGEST_ID} letters."
        ));
    }
    for (id, price) in &prices.wood {
        let mut at = at.below("wood");
        let (key, price) = match price {
            WoodPrice::PerM3(price) => ("per-m3", price),
            WoodPrice::PerBoardFoot(price) => ("per-board-foot", price),
            WoodPrice::PerM2(price) => ("per-m2", price),
            WoodPrice::PerBoard(price) => ("per-board", price),
        };
        at.below(id).hundredths(key, *price, LARGEST_PRICE);
    }
    for (key, price) in [
        ("machine-hour", prices.machine_hour),
        ("hand-hour", prices.hand_hour),
    ] {
        at.hundredths(key, price.unwrap_or(0.0), LARGEST_PRICE);
    }
    at.hundredths("surcharge-percent", prices.surcharge_percent, 1000.0);
    let HandMinutes {
        setup,
        turn,
        cutter_change,
        screw,
        pause,
        hand_work,
        piece,
    } = prices.minutes;
    let mut at = at.below("minutes");
    for (key, minutes) in [
        ("setup", setup),
        ("turn", turn),
        ("cutter-change", cutter_change),
        ("screw", screw),
        ("pause", pause),
        ("hand-work", hand_work),
        ("piece", piece),
    ] {
        at.between(key, minutes, 0.0, 1440.0);
    }
}

fn of_machine(at: &mut At<'_>, m: &Machine) {
    at.sizes("travel", &m.travel);
    at.maybe_size("end-height", m.end_height);
    at.size("max-feed", m.max_feed);
    at.size("max-plunge", m.max_plunge);
    at.size("rapid", m.rapid);
    at.size("acceleration", m.acceleration);
    at.not_negative("corner-deviation", m.corner_deviation);
    at.positive("max-rpm", m.max_rpm);
    if m.min_rpm < 0.0 {
        at.below("min-rpm")
            .number(format!("{} should not be negative.", m.min_rpm));
    } else if m.min_rpm > m.max_rpm {
        at.below("min-rpm").number(format!(
            "The least speed, {} rev/min, is above the largest, {} rev/min.",
            m.min_rpm, m.max_rpm
        ));
    }
    at.between("spin-up-seconds", m.spin_up_seconds, 0.0, 600.0);
    at.between("restart-seconds", m.restart_seconds, 0.0, 3600.0);
    at.between("change-seconds", m.change_seconds, 0.0, 3600.0);
    at.places("park", &m.park);
    at.size("spoilboard", m.spoilboard);
    if let Some(blocks) = m.blocks_per_second {
        at.positive("blocks-per-second", blocks);
    }
    at.size("nut-diameter", m.nut_diameter);
}

fn of_cutter(at: &mut At<'_>, c: &Cutter) {
    let [least, most] = CUTTER_MM;
    if !(least..=most).contains(&c.diameter.mm()) {
        at.below("diameter").number(format!(
            "{} mm should be between {least} and {most} mm.",
            c.diameter.mm()
        ));
    }
    at.size("cutting-length", c.cutting_length);
    if c.edges == 0 || c.edges > 64 {
        at.below("edges")
            .number(format!("{} should be between 1 and 64.", c.edges));
    }
    at.maybe_size("up-cut-length", c.up_cut_length);
    at.maybe_size("usable-length", c.usable_length);
    at.maybe_size("shank-diameter", c.shank_diameter);
    at.positive("max-rpm", c.max_rpm);
    at.maybe_size("feed-per-tooth", c.feed_per_tooth);
    if let Some(rpm) = c.rpm {
        at.positive("rpm", rpm);
        if rpm > c.max_rpm {
            at.below("rpm").number(format!(
                "{rpm} rev/min is above the {} rev/min marked on the cutter.",
                c.max_rpm
            ));
        }
    }
    at.maybe_size("pass-depth", c.pass_depth);
    if let Some(angle) = c.angle {
        at.between("angle", angle, 1.0, 180.0);
    } else if c.kind == CutterKind::VCutter {
        at.say("A V-cutter should say its `angle`.");
    }
    if c.up_cut_length.is_some_and(|up| up > c.cutting_length) {
        at.below("up-cut-length")
            .number("The up-cut tip is longer than the length that cuts.");
    }
}

fn stocks(at: &mut At<'_>, stocks: &std::collections::BTreeMap<String, Stock>) {
    for (id, stock) in stocks {
        let mut at = at.below("stocks");
        let mut at = at.below(id);
        at.id(id);
        readings(&mut at, &stock.thickness);
        at.not_negative("cup", stock.cup);
        if let Some(moisture) = stock.moisture {
            at.between("moisture", moisture, 3.0, 30.0);
        }
        let mut ids = BTreeSet::new();
        for (i, board) in stock.boards.iter().enumerate() {
            let mut at = at.below("boards");
            let mut at = at.below(i);
            of_board(&mut at, board);
            if !ids.insert(&board.id) {
                at.below("id")
                    .say(format!("Two boards of {id} have the id \"{}\".", board.id));
            }
        }
    }
}

fn readings(at: &mut At<'_>, thickness: &[ThicknessReading]) {
    for (i, reading) in thickness.iter().enumerate() {
        let mut at = at.below("thickness");
        match reading {
            ThicknessReading::Plain(l) => at.size(&i.to_string(), *l),
            ThicknessReading::Confirmed(r) => at.below(i).size("thickness", r.thickness),
        }
    }
}

fn of_board(at: &mut At<'_>, board: &Board) {
    at.below("id").id(&board.id);
    at.size("length", board.length);
    at.size("width", board.width);
    at.count("count", board.count);
    if board.count != 1 {
        for (what, own) in [
            ("defects", !board.defects.is_empty()),
            ("a thickness", !board.thickness.is_empty()),
        ] {
            if own {
                at.below("count").say(format!(
                    "A board with {what} of its own is one board: give each of several boards an id and {what} of its own."
                ));
            }
        }
    }
    readings(at, &board.thickness);
    let whole = Bounds::of([Point::default(), point(board.length.mm(), board.width.mm())]);
    for (i, defect) in board.defects.iter().enumerate() {
        let mut at = at.below("defects");
        let mut at = at.below(i);
        for (k, size) in defect.size.into_iter().enumerate() {
            at.below("size").size(&k.to_string(), size);
        }
        if !defect.bounds().touches(whole) {
            at.below("at").number("The defect lies outside its board.");
        }
    }
}

fn of_drawing(at: &mut At<'_>, d: &Drawing) {
    if d.file.trim().is_empty() {
        at.below("file").say("The drawing should name a file.");
    }
    for (i, sheet) in d.sheets.iter().flatten().enumerate() {
        if *sheet == 0 {
            let mut at = at.below("sheets");
            at.below(i).number("Sheets are counted from 1.");
        }
    }
    at.maybe_size("sheet-gap", d.sheet_gap);
    at.maybe_size("join", d.join);
    at.count("copies", d.copies);
    if let Some(board) = &d.board {
        let mut at = at.below("board");
        at.size("length", board.length);
        at.size("width", board.width);
        if let Some(p) = &board.parts_at {
            at.places("parts-at", p);
        }
    }
    if let Some(window) = &d.window {
        let mut at = at.below("window");
        at.places("at", &window.at);
        at.sizes("size", &window.size);
    }
    for (i, left) in d.leave_out.iter().enumerate() {
        let mut at = at.below("leave-out");
        at.below(i).places("at", &left.at);
    }
    for (i, rule) in d.layers.iter().enumerate() {
        let mut at = at.below("layers");
        let mut at = at.below(i);
        of_rule(&mut at, rule);
    }
}

fn of_rule(at: &mut At<'_>, rule: &LayerRule) {
    let says_more = rule.make.is_some()
        || rule.depth.is_some()
        || rule.left.is_some()
        || rule.relief.is_some()
        || rule.band_outside.is_some()
        || rule.if_unreachable.is_some()
        || rule.cutter.is_some();
    if rule.ignore && says_more {
        at.say("A rule that ignores its layers should say nothing else.");
    }
    if !rule.ignore && rule.make.is_none() {
        at.say("A layer rule should say what to `make`, or `ignore`.");
    }
    if rule.depth.is_some() && rule.left.is_some() {
        at.say("Give `depth` or `left`, not both.");
    }
    if rule.band_outside.is_some() && rule.make.is_some_and(|kind| !kind.is_cleared()) {
        at.below("band-outside")
            .say("Only what is cleared (a rebate, a pocket, a groove …) can be a band outside a contour.");
    }
    if rule.band_outside.is_some() && rule.depth == Some(Depth::Through) {
        at.below("depth").say(
            "A band outside a contour does not go through, or its inside would fall out: give a depth, or the wood `left`.",
        );
    }
    at.maybe_size("band-outside", rule.band_outside);
    depth(at, rule.depth);
    at.maybe_size("left", rule.left);
    relief(at, rule.relief.as_ref());
}

fn depth(at: &mut At<'_>, depth: Option<Depth>) {
    if let Some(Depth::Below(l)) = depth {
        at.size("depth", l);
    }
}

fn relief(at: &mut At<'_>, relief: Option<&Relief>) {
    if let Some(angle) = relief.and_then(|r| r.up_to_angle) {
        at.below("relief").between("up-to-angle", angle, 1.0, 179.0);
    }
}

fn of_part(at: &mut At<'_>, part: &PartDoc, sets: u32) {
    if part.count > 0 || part.mirrored == 0 {
        at.count("count", part.count);
    }
    match (&part.outline, &part.blank) {
        (Some(_), Some(_)) => at.say("Give `outline` or `blank`, not both."),
        (None, None) => at.say("A part should have an `outline` or a `blank`."),
        (Some(outline), None) => {
            let mut at = at.below("outline");
            let whole = matches!(
                outline,
                Shape::Rectangle(_) | Shape::Circle(_) | Shape::Slot(_) | Shape::Contour(_)
            );
            if !whole {
                at.say("An outline should be a rectangle, a circle, a slot or a contour.");
            }
            shape(&mut at, outline, true);
        }
        (None, Some(blank)) => of_blank(&mut at.below("blank"), blank),
    }
    if part.screws_through && part.blank.as_ref().is_some_and(|b| b.dimensioned) {
        at.below("screws-through").say(
            "A blank that is already dimensioned is held by clamps; leave `screws-through` out.",
        );
    }
    if let Some(place) = &part.place {
        let mut at = at.below("place");
        if part.blank.as_ref().is_some_and(|b| b.dimensioned) {
            at.say("A blank that is already dimensioned is cut from no board; leave `place` out.");
        }
        let pieces = part.count.saturating_add(part.mirrored);
        if place.at.is_some() && pieces.saturating_mul(sets) > 1 {
            at.below("at")
                .say("One piece alone can lie there: give each a part of its own.");
        }
    }
    at.maybe_size("eased", part.eased);
    relief(at, part.relief.as_ref());
    features(at, &part.features);
}

fn of_blank(at: &mut At<'_>, blank: &BlankDoc) {
    at.size("length", blank.length);
    at.size("width", blank.width);
    if let Some(measured) = &blank.measured {
        let mut at = at.below("measured");
        readings(&mut at, &measured.thickness);
        for (key, length) in [("length", measured.length), ("width", measured.width)] {
            if let Some(length) = length {
                at.size(key, length);
            }
        }
    }
    if blank.dimensioned && !blank.tenons.is_empty() {
        at.below("tenons").say(
            "A blank that is already dimensioned has no outline to cut tenons with; make them by laps, or leave `dimensioned` out.",
        );
    }
    let mut ends = Vec::new();
    for (i, tenon) in blank.tenons.iter().enumerate() {
        let mut at = at.below("tenons");
        let mut at = at.below(i);
        at.size("length", tenon.length);
        at.size("width", tenon.width);
        if let Some(offset) = tenon.offset {
            at.not_negative("offset", offset);
        }
        if let Some(haunch) = &tenon.haunch {
            joints::of_haunch(&mut at.below("haunch"), haunch, tenon.length);
        }
        let offset = tenon.offset.map_or(0.0, |o| o.mm());
        if blank.width.mm() > 0.0 && offset + tenon.width.mm() > blank.width.mm() + 1e-9 {
            at.below("width").number(format!(
                "The tenon, {} mm wide at an offset of {offset} mm, is wider than the piece, {} mm.",
                tenon.width.mm(),
                blank.width.mm()
            ));
        }
        if blank.length.mm() > 0.0 && tenon.length >= blank.length {
            at.below("length").number(format!(
                "The tenon, {} mm, is as long as the piece, {} mm.",
                tenon.length.mm(),
                blank.length.mm()
            ));
        }
        let from = tenon
            .offset
            .map_or(0.5 * (blank.width.mm() - tenon.width.mm()), |o| o.mm());
        let to = from + tenon.width.mm();
        let crossed = |(end, f, t): &(End, f64, f64)| *end == tenon.end && from < *t && *f < to;
        if ends.iter().any(crossed) {
            at.say("Two tenons at one end overlap.");
        }
        ends.push((tenon.end, from, to));
    }
}

fn features(at: &mut At<'_>, features: &[FeatureDoc]) {
    let mut ids = BTreeSet::new();
    for (i, feature) in features.iter().enumerate() {
        let mut at = at.below("features");
        let mut at = at.below(i);
        if let Some(id) = &feature.id {
            at.below("id").id(id);
            if !ids.insert(id) {
                at.below("id")
                    .say(format!("Two features of the part have the id \"{id}\"."));
            }
        }
        of_feature(&mut at, feature);
    }
}

fn of_feature(at: &mut At<'_>, f: &FeatureDoc) {
    match (&f.depth, &f.left) {
        (Some(_), Some(_)) => at.say("Give `depth` or `left`, not both."),
        (None, None) if f.kind != FeatureKind::Cutout => at.say(format!(
            "A {} should say its `depth`, or what is `left` under it.",
            f.kind.word()
        )),
        _ => {}
    }
    if f.kind == FeatureKind::Cutout
        && (f.left.is_some() || matches!(f.depth, Some(Depth::Below(_))))
    {
        at.say("A cutout goes through; leave `depth` and `left` out, or make it a pocket.");
    }
    if f.kind == FeatureKind::Outline {
        at.below("kind")
            .say("A part's own edge is its `outline` or `blank`, not a feature.");
    }
    let round = matches!(f.shape, Shape::Circle(_) | Shape::Circles(_));
    if f.kind == FeatureKind::Hole && !round {
        at.below("shape")
            .say("A hole should be a circle, or circles; make other shapes a pocket or a cutout.");
    }
    if f.waste.is_some() && f.kind != FeatureKind::Cutout {
        at.below("waste").say("Only a cutout leaves waste to hold.");
    }
    if f.side.is_edge() && !f.across_from.is_near() {
        at.below("across-from").say(
            "A place on an edge counts along the piece and from its face; leave `across-from` out.",
        );
    }
    if f.side.is_end() && !f.along_from.is_left() {
        at.below("along-from").say(
            "A place on an end counts across the piece and from its face; leave `along-from` out.",
        );
    }
    depth(at, f.depth);
    at.maybe_size("left", f.left);
    if let Some(leave) = f.leave {
        at.not_negative("leave", leave);
    }
    relief(at, f.relief.as_ref());
    if let Some(waste) = &f.waste {
        let mut at = at.below("waste");
        for (i, p) in waste.screws_at.iter().enumerate() {
            at.below("screws-at").places(&i.to_string(), p);
        }
    }
    shape(
        &mut at.below("shape"),
        &f.shape,
        f.kind != FeatureKind::Engraving,
    );
}

fn shape(at: &mut At<'_>, shape: &Shape, must_close: bool) {
    match shape {
        Shape::Rectangle(r) => {
            let mut at = at.below("rectangle");
            at.places("at", &r.at);
            at.sizes("size", &r.size);
            at.not_negative("corner", r.corner);
            at.between("angle", r.angle, -360.0, 360.0);
            let least = r.size[0].mm().min(r.size[1].mm());
            if r.corner.mm() > 0.5 * least + 1e-9 && least > 0.0 {
                at.below("corner").number(format!(
                    "A corner radius of {} mm is more than half of the shorter side, {least} mm.",
                    r.corner.mm()
                ));
            }
        }
        Shape::Circle(c) => {
            let mut at = at.below("circle");
            at.places("at", &c.at);
            at.size("diameter", c.diameter);
        }
        Shape::Circles(c) => {
            let mut at = at.below("circles");
            if c.at.is_empty() {
                at.below("at").say("Give at least one centre.");
            }
            for (i, p) in c.at.iter().enumerate() {
                at.below("at").places(&i.to_string(), p);
            }
            at.size("diameter", c.diameter);
        }
        Shape::Slot(s) => {
            let mut at = at.below("slot");
            at.places("from", &s.from);
            at.places("to", &s.to);
            at.size("width", s.width);
        }
        Shape::Contour(c) => contour(&mut at.below("contour"), c, must_close),
        Shape::Across(b) => {
            let mut at = at.below("across");
            at.place("at", b.at);
            at.size("width", b.width);
            at.maybe_place("from", b.from);
            at.maybe_place("to", b.to);
        }
        Shape::Along(b) => {
            let mut at = at.below("along");
            at.place("at", b.at);
            at.size("width", b.width);
            at.maybe_place("from", b.from);
            at.maybe_place("to", b.to);
        }
        Shape::AtEnd(e) => at.below("at-end").size("length", e.length),
        Shape::AtEdge(e) => at.below("at-edge").size("width", e.width),
    }
}

fn contour(at: &mut At<'_>, c: &ContourShape, must_close: bool) {
    let mut curved = false;
    for (i, p) in c.points.iter().enumerate() {
        let mut at = at.below("points");
        match p {
            ContourPoint::Plain(p) => at.places(&i.to_string(), p),
            ContourPoint::Full(full) => {
                let mut at = at.below(i);
                at.places("at", &full.at);
                at.between("bulge", full.bulge, -1e6, 1e6);
                at.not_negative("round", full.round);
                curved |= full.bulge != 0.0;
            }
        }
    }
    let least = if c.closed && !curved { 3 } else { 2 };
    if c.points.len() < least {
        at.below("points").say(format!(
            "This contour should have at least {least} points, not {}.",
            c.points.len()
        ));
    }
    if must_close && !c.closed {
        at.below("closed")
            .say("Only an engraving may be an open contour.");
    }
}
