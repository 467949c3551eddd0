//! Layer 0, for whole setups and the whole job: every piece that the documents ask for lies on a board or blank that the documents
//! have, in its wood and along its grain, and is made exactly once.

use super::figures::mm;
use super::{Allowed, Wanted, wanted};
use grainway_geom::{Bounds, Contour, Placing, Point, point};
use grainway_pipeline::doc::{Board, Drawing, FeatureKind, Side, ZZero};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{
    Feature, Hold, HoldKind, Part, Placement, Setup, SetupKind, Turn, Work, ZFrame,
};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::{FRAC_PI_2, PI};

/// Lengths and places that differ by less than this are the same, mm: both are computed from the same numbers, in another order.
const SAME_MM: f64 = 1e-4;
/// Angles that differ by less than this are the same, radians.
const SAME_ANGLE: f64 = 1e-9;

/// What a setup claims about its wood, held against the documents.
pub(super) fn setup(
    work: &Work,
    setup: &Setup,
    wanted: &Wanted,
    allowed: &Allowed,
    can_pause: bool,
) -> Vec<Finding> {
    let mut claims = Claims {
        work,
        setup,
        wanted,
        allowed,
        can_pause,
        findings: Vec::new(),
    };
    claims.wood();
    claims.holds();
    match setup.kind {
        SetupKind::Lines => claims.lines(),
        SetupKind::Blank => claims.blank(),
        SetupKind::Board => claims.board(),
    }
    claims.findings
}

struct Claims<'a> {
    work: &'a Work,
    setup: &'a Setup,
    wanted: &'a Wanted,
    allowed: &'a Allowed,
    /// The machine's language can pause; where it cannot, every screw is driven before the start.
    can_pause: bool,
    findings: Vec<Finding>,
}

impl<'a> Claims<'a> {
    fn say(&mut self, message: String) {
        self.findings
            .push(Finding::new(&code::VERIFY_WANTED, message).setup(&self.setup.id));
    }
    fn say_of(&mut self, placement: &Placement, message: String) {
        let finding = Finding::new(&code::VERIFY_WANTED, message)
            .setup(&self.setup.id)
            .part(&placement.piece)
            .at(placement.placing.at);
        self.findings.push(finding);
    }
    fn part_of(&self, placement: &Placement) -> Option<&'a Part> {
        let variant = self.work.variant(&placement.variant)?;
        self.wanted.part(&variant.part)
    }
    /// The parts that lie here, each with its placing. A piece whose name is not its part's is told.
    fn parts(&mut self) -> Vec<(&'a Placement, &'a Part)> {
        let mut out = Vec::new();
        for placement in &self.setup.placements {
            let Some(part) = self.part_of(placement) else {
                continue;
            };
            let up = self.work.variant(&placement.variant).map(|v| v.side);
            if up != Some(self.setup.side) {
                self.say_of(
                    placement,
                    format!(
                        "{} lies with another side up than the rest of {}.",
                        placement.piece, self.setup.id
                    ),
                );
            }
            if part_of_piece(&placement.piece) != part.id {
                self.say_of(
                    placement,
                    format!(
                        "A piece of the part {} is called {}.",
                        part.id, placement.piece
                    ),
                );
            }
            if part.stock != self.setup.stock {
                self.say_of(
                    placement,
                    format!(
                        "{} is to be of the stock {}; it lies on wood of {}.",
                        placement.piece, part.stock, self.setup.stock
                    ),
                );
            }
            out.push((placement, part));
        }
        out
    }

    fn wood(&mut self) {
        let z = match self.setup.kind {
            // There is no wood yet: the spoilboard is all.
            SetupKind::Lines => Some(ZFrame {
                zero: ZZero::Bed,
                thinnest: 0.0,
                mean: 0.0,
                thickest: 0.0,
            }),
            SetupKind::Board => self.work.documents.z_frame(&self.setup.stock),
            SetupKind::Blank => {
                let part = self.setup.placements.first().and_then(|p| self.part_of(p));
                part.and_then(|p| wanted::part_frame(&self.work.documents, p, self.setup.side))
            }
        };
        if z != Some(self.setup.z) {
            self.say(format!(
                "The heights of {} are not those of the readings of {}.",
                self.setup.id, self.setup.stock
            ));
        }
        if self.setup.repeats == 0 || self.setup.kind != SetupKind::Blank && self.setup.repeats != 1
        {
            self.say(format!(
                "{} is to be run {} times.",
                self.setup.id, self.setup.repeats
            ));
        }
    }

    fn holds(&mut self) {
        let setup = self.setup;
        for hold in &setup.holds {
            for what in self.wrong_of(hold) {
                self.say(format!(
                    "The {} at ({}, {}) {what}.",
                    hold.kind.word(),
                    mm(hold.at.x),
                    mm(hold.at.y)
                ));
            }
        }
    }

    /// Screws, clamps and stops have the sizes that the documents give them, are there when such a hold is, and are told to hold what they
    /// hold.
    fn wrong_of(&self, hold: &Hold) -> Vec<&'static str> {
        let size = match hold.kind {
            HoldKind::Clamp => self.allowed.clamp,
            HoldKind::Stop | HoldKind::SideClamp => self.allowed.stop,
            HoldKind::MarginScrew
            | HoldKind::WasteScrew
            | HoldKind::FrameScrew
            | HoldKind::PieceScrew => self.allowed.screw,
        };
        let other_size = size.is_some_and(|s| {
            let pairs = [
                (hold.head_radius, s.radius),
                (hold.shaft, s.shaft),
                (hold.head_above, s.above),
            ];
            pairs.iter().any(|(a, b)| (a - b).abs() >= SAME_MM)
        });
        let late = self.can_pause && hold.kind.wants_pilot();
        let of_another = match (&hold.of, hold.kind) {
            (Some((piece, feature)), HoldKind::WasteScrew | HoldKind::PieceScrew) => {
                !self.lies_in(hold, piece, feature)
            }
            (None, HoldKind::WasteScrew | HoldKind::PieceScrew) => true,
            (of, _) => of.is_some(),
        };
        [
            (other_size, "has another size than the documents give"),
            (
                late != hold.after_pause.is_some(),
                "is there at another time than such a hold is",
            ),
            (of_another, "is told to hold something else than it does"),
        ]
        .into_iter()
        .filter_map(|(wrong, what)| wrong.then_some(what))
        .collect()
    }

    /// A screw stands in the waste of this cutout of the piece, or through the piece itself.
    fn lies_in(&self, hold: &Hold, piece: &str, feature: &str) -> bool {
        let mut placed = self.setup.placements.iter().filter(|p| p.piece == piece);
        placed.any(|p| {
            let at = p.placing.inverse_point(hold.at);
            self.part_of(p).is_some_and(|part| match hold.kind {
                HoldKind::PieceScrew => part.outline.contains(at),
                _ => part.features.iter().any(|f| {
                    f.key == feature && f.kind == FeatureKind::Cutout && f.shape.contains(at)
                }),
            })
        })
    }

    /// A blank lies against two stops at its near edge and one at its left, or in lines; on an end it stands against uprights.
    fn stops(&mut self) {
        let told = |f: &Finding| f.code == code::NO_ROOM_FOR_STOPS.word;
        let (Some(stop), Some(part)) = (
            self.allowed.stop,
            self.setup.placements.first().and_then(|p| self.part_of(p)),
        ) else {
            return;
        };
        if self.work.findings.iter().any(told) {
            return;
        }
        let (setup, documents) = (self.setup, &self.work.documents);
        let lying = setup.placements.first();
        let turn = lying
            .and_then(|p| self.work.variant(&p.variant))
            .map(|v| v.turn);
        let turn = turn.unwrap_or_default();
        let wrong = match setup.lines {
            Some(_) if !setup.side.is_end() => {
                let depth = self.allowed.line_depth;
                let wrong = super::standing::in_lines(setup, part, turn, depth);
                wrong.into_iter().collect()
            }
            _ => super::standing::against_stops(setup, part, turn, documents, stop),
        };
        for wrong in wrong {
            self.say(format!("{} {wrong}.", setup.id));
        }
    }

    fn lines(&mut self) {
        if !self.setup.placements.is_empty() {
            self.say(format!(
                "Pieces lie on {}, which cuts lines in the spoilboard.",
                self.setup.id
            ));
        }
        // The blanks that come into these lines give them their size.
        let served = self
            .work
            .setups
            .iter()
            .find(|s| s.lines.as_deref() == Some(self.setup.id.as_str()));
        match served {
            None => self.say(format!("No blank lies in the lines of {}.", self.setup.id)),
            Some(blank) if !same_point(blank.size, self.setup.size, LINES_MM) => self.say(format!(
                "The lines of {} are {} × {} mm; the blank is {} × {} mm.",
                self.setup.id,
                mm(self.setup.size.x),
                mm(self.setup.size.y),
                mm(blank.size.x),
                mm(blank.size.y)
            )),
            Some(_) => {}
        }
    }

    fn blank(&mut self) {
        self.stops();
        let parts = self.parts();
        let [(placement, part)] = parts.as_slice() else {
            self.say(format!(
                "{} holds {} pieces; a blank is one.",
                self.setup.id,
                parts.len()
            ));
            return;
        };
        let side = wanted::sized(part, &self.work.documents, self.setup.side, Turn::OverEdge);
        let bounds = side.map_or_else(|| part.outline.bounds(), |s| s.outline.bounds());
        let size = bounds.max - bounds.min;
        let lying = placement.placing;
        let fine = (part.dimensioned || self.setup.side != Side::Face)
            && same_point(self.setup.size, size, SAME_MM)
            && lying.angle.abs() < SAME_ANGLE
            && same_point(lying.at, -bounds.min, SAME_MM);
        if !fine {
            self.say_of(
                placement,
                format!(
                    "{} does not lie as a blank of {} × {} mm with its corner at zero.",
                    placement.piece,
                    mm(size.x),
                    mm(size.y)
                ),
            );
        }
    }

    fn board(&mut self) {
        let parts = self.parts();
        let board = Bounds {
            min: point(0.0, 0.0),
            max: self.setup.size,
        };
        for (placement, part) in &parts {
            let own = part.outline.placed(&placement.placing).bounds();
            let room = board.grown(SAME_MM);
            if !room.contains(own.min) || !room.contains(own.max) {
                self.say_of(
                    placement,
                    format!("{} reaches over the board's edge.", placement.piece),
                );
            }
            if part.dimensioned {
                self.say_of(
                    placement,
                    format!(
                        "{} is a dimensioned blank; no board is cut for it.",
                        placement.piece
                    ),
                );
            }
            if !along_grain(&placement.placing, part) {
                self.say_of(
                    placement,
                    format!("{} does not lie along the grain.", placement.piece),
                );
            }
        }
        let drawn: Vec<&(&Placement, &Part)> = parts.iter().filter(|p| p.1.as_drawn).collect();
        if drawn.is_empty() {
            return self.bought_board();
        }
        if drawn.len() < parts.len() {
            self.say(format!("{} holds drawn parts and others.", self.setup.id));
        }
        self.drawn_board(&drawn);
    }

    /// The board is one of the stock's.
    fn bought_board(&mut self) {
        let size = self.setup.size;
        let stock = self.work.documents.stock(&self.setup.stock);
        let known = stock.is_some_and(|s| {
            s.boards
                .iter()
                .any(|b| same_point(size, point(b.length.mm(), b.width.mm()), SAME_MM))
        });
        if !known {
            self.say(format!(
                "The stock {} has no board of {} × {} mm.",
                self.setup.stock,
                mm(size.x),
                mm(size.y)
            ));
        }
    }

    /// Drawn parts lie as the drawing has them, all moved by the same, on the board that the drawing names or one just large enough.
    fn drawn_board(&mut self, drawn: &[&(&Placement, &Part)]) {
        let source = &drawn[0].1.source;
        let doc = self
            .work
            .documents
            .job
            .drawings
            .iter()
            .find(|d| Some(&d.id) == source.drawing.as_ref());
        let Some(doc) = doc else {
            return;
        };
        let sheet: Vec<&Part> = self
            .wanted
            .drawn()
            .filter(|p| p.source.drawing == source.drawing && p.source.sheet == source.sheet)
            .collect();
        let (size, shift) = drawn_layout(doc, &sheet, self.allowed.board_margin);
        if !same_point(self.setup.size, size, SAME_MM) {
            self.say(format!(
                "The board of {} is {} × {} mm; the documents give {} × {} mm.",
                self.setup.id,
                mm(self.setup.size.x),
                mm(self.setup.size.y),
                mm(size.x),
                mm(size.y)
            ));
        }
        for (placement, part) in drawn {
            let same_sheet =
                part.source.drawing == source.drawing && part.source.sheet == source.sheet;
            let at = part.source.at + shift;
            let lies = placement.placing;
            if !same_sheet || !same_point(lies.at, at, SAME_MM) || lies.angle.abs() > SAME_ANGLE {
                self.say_of(
                    placement,
                    format!("{} does not lie where the drawing has it.", placement.piece),
                );
            }
        }
    }
}

/// Lines are laid for blanks whose sizes differ by no more than this, mm: a person feels no such play.
const LINES_MM: f64 = 0.05 + SAME_MM;

fn same_point(a: Point, b: Point, within: f64) -> bool {
    (a.x - b.x).abs() <= within && (a.y - b.y).abs() <= within
}

/// The part's grain runs along the board's, or it has none that matters.
fn along_grain(placing: &Placing, part: &Part) -> bool {
    let turn = match part.grain {
        grainway_pipeline::work::Grain::AlongX => PI,
        grainway_pipeline::work::Grain::Any => FRAC_PI_2,
    };
    let turns = placing.angle / turn;
    (turns - turns.round()).abs() < SAME_ANGLE
}

/// The board of a drawn sheet, and how far the drawing is moved on it.
fn drawn_layout(doc: &Drawing, sheet: &[&Part], margin: f64) -> (Point, Point) {
    let extent = sheet.iter().fold(Bounds::EMPTY, |all, p| {
        all.union(p.outline.shifted(p.source.at).bounds())
    });
    let inner = extent.max - extent.min;
    let Some(board) = &doc.board else {
        let room = point(margin, margin);
        return (inner + room * 2.0, room - extent.min);
    };
    let size = point(board.length.mm(), board.width.mm());
    let corner = match board.parts_at {
        Some([x, y]) => point(x.mm(), y.mm()),
        None => {
            let side = |free: f64| margin.min(free / 2.0).max(0.0);
            point(side(size.x - inner.x), side(size.y - inner.y))
        }
    };
    (size, corner - extent.min)
}

/// The part in a piece's name: what stands before `#`.
fn part_of_piece(piece: &str) -> &str {
    piece.split('#').next().unwrap_or(piece)
}

/// Over all setups: the parts are those that the documents ask for, each is made as often as they ask, every piece has one name, no more
/// boards are used than there are, and every setup with something to do has its programs.
pub(super) fn job(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let mut findings = parts(work, wanted);
    for setup in &work.setups {
        let something = !setup.placements.is_empty() || !setup.own_steps.is_empty();
        if something && !work.programs.iter().any(|p| p.setup == setup.id) {
            let message = format!("No program cuts what lies on {}.", setup.id);
            findings.push(Finding::new(&code::VERIFY_PIECES, message).setup(&setup.id));
        }
    }
    findings.extend(counts(work, wanted));
    findings.extend(boards(work, wanted));
    findings.extend(super::chosen::check(work, wanted));
    findings.extend(
        wanted
            .parts
            .iter()
            .flat_map(|p| super::between::check(work, p)),
    );
    findings
}

/// What lists and sheets say of the parts is what the documents say.
fn parts(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let told = |p: &Part| {
        let names = (p.id.clone(), p.name.clone(), p.stock.clone());
        let kind = (p.count, p.mirrored, p.grain, p.dimensioned, p.as_drawn);
        let source = (p.source.drawing.clone(), p.source.sheet);
        // No size that people give lies near where this rounding changes.
        let rounded = |v: f64| (v / SAME_MM + 0.137).round() as i64;
        let shape = |c: &Contour| {
            let b = c.bounds();
            [b.min.x, b.min.y, b.max.x, b.max.y, c.length(), c.area()].map(rounded)
        };
        let feature = |f: &Feature| {
            (
                f.key.clone(),
                f.kind,
                f.side,
                f.islands.len(),
                shape(&f.shape),
            )
        };
        let features: Vec<_> = p.features.iter().map(feature).collect();
        (names, kind, source, features, shape(&p.outline))
    };
    let mut findings = Vec::new();
    for part in &work.parts {
        if wanted.part(&part.id).map(told) != Some(told(part)) {
            let message = format!("The part {} is not as the documents have it.", part.id);
            findings.push(Finding::new(&code::VERIFY_PIECES, message).part(&part.id));
        }
    }
    let in_order = work.parts.is_sorted_by_key(|p| &p.id)
        && work.variants.is_sorted_by_key(|v| (&v.part, v.side));
    if !in_order {
        let message = "The plan's parts are not in the order of their names.";
        findings.push(Finding::new(&code::VERIFY_PIECES, message));
    }
    if work.parts.len() != wanted.parts.len() {
        let message = format!(
            "The plan has {} parts; the documents ask for {}.",
            work.parts.len(),
            wanted.parts.len()
        );
        findings.push(Finding::new(&code::VERIFY_PIECES, message));
    }
    findings
}

/// Every side of every piece is made once.
fn counts(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut made: BTreeMap<(&str, Side), u64> = BTreeMap::new();
    let mut names: BTreeSet<(&str, Side)> = BTreeSet::new();
    let placed = work
        .setups
        .iter()
        .flat_map(|s| s.placements.iter().map(move |p| (s, p)));
    for (setup, placement) in placed {
        let part = work.variant(&placement.variant).map(|v| v.part.as_str());
        let key = (part.unwrap_or(""), setup.side);
        *made.entry(key).or_default() += u64::from(setup.repeats);
        if !names.insert((&placement.piece, setup.side)) {
            let message = format!("The piece {} is made twice.", placement.piece);
            let finding = Finding::new(&code::VERIFY_PIECES, message);
            findings.push(finding.setup(&setup.id).part(&placement.piece));
        }
    }
    for part in &wanted.parts {
        for side in wanted::sides(part, &work.documents) {
            let n = made.remove(&(part.id.as_str(), side)).unwrap_or(0);
            if n != u64::from(part.count) {
                let message = format!(
                    "The programs make the {} of {n} pieces of {}; the documents ask for {}.",
                    side.word(),
                    part.id,
                    part.count
                );
                findings.push(Finding::new(&code::VERIFY_PIECES, message).part(&part.id));
            }
        }
    }
    for ((part, side), n) in made.into_iter().filter(|(_, n)| *n > 0) {
        let message = format!(
            "The programs make the {} of {n} pieces of {part}, for which the documents ask nothing.",
            side.word()
        );
        findings.push(Finding::new(&code::VERIFY_PIECES, message));
    }
    findings
}

/// No more boards of a size are used than the documents have.
fn boards(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let tenth = |v: f64| (v * 10.0).round() as i64;
    let drawn = |p: &Placement| {
        let part = work.variant(&p.variant).and_then(|v| wanted.part(&v.part));
        part.is_some_and(|p| p.as_drawn)
    };
    let mut used: BTreeMap<(&str, i64, i64), u32> = BTreeMap::new();
    for setup in work.setups.iter().filter(|s| s.kind == SetupKind::Board) {
        if !setup.placements.iter().any(drawn) {
            let size = (tenth(setup.size.x), tenth(setup.size.y));
            *used.entry((&setup.stock, size.0, size.1)).or_default() += 1;
        }
    }
    let at_hand = |stock: &str, length: i64, width: i64| -> u32 {
        let boards = work.documents.stock(stock).map_or(&[][..], |s| &s.boards);
        let same = |b: &&Board| tenth(b.length.mm()) == length && tenth(b.width.mm()) == width;
        boards.iter().filter(same).map(|b| b.count).sum()
    };
    used.into_iter()
        .map(|((stock, l, w), n)| (stock, l, w, n, at_hand(stock, l, w)))
        .filter(|(.., n, at_hand)| n > at_hand)
        .map(|(stock, l, w, n, at_hand)| {
            let message = format!(
                "{n} boards of {} × {} mm of the stock {stock} are used; the documents have {at_hand}.",
                mm(l as f64 / 10.0),
                mm(w as f64 / 10.0)
            );
            Finding::new(&code::VERIFY_PIECES, message)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::between::tests::part;
    use crate::tests::documents;

    /// The documents have one board of 300 × 200 mm.
    #[test]
    fn boards_beyond_those_at_hand_are_counted() {
        let mut work =
            crate::tests::work(Vec::new(), false, point(90.0, 80.0), point(300.0, 200.0));
        let wanted = crate::tests::wanted_by(&work);
        assert_eq!(boards(&work, &wanted).len(), 0);
        work.setups.push(work.setups[0].clone());
        let told = boards(&work, &wanted);
        assert_eq!(told.len(), 1);
        assert!(
            told[0].message.contains("2 boards of 300 × 200 mm"),
            "{}",
            told[0].message
        );
    }

    /// Every side of every piece is counted by itself; the whole job lacks both here.
    #[test]
    fn a_side_that_no_setup_cuts_is_missed() {
        let work = Work::new(documents());
        let wanted = Wanted::from_parts(vec![part(5.0, 5.0, 0.0)]);
        let told: Vec<String> = counts(&work, &wanted)
            .into_iter()
            .map(|f| f.message)
            .collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(
            told[0].contains("the face of 0 pieces") && told[1].contains("the back of 0 pieces")
        );
    }
}
