//! Hand-made works and texts: a good text passes; each way of spoiling it is caught by `safe` alone, with feature and line.

mod limits;

use super::{Allowed, Models, SetupVerdict, Text, VerifySettings, Wanted, verify_setup};
use grainway_geom::{Contour, Placing, Point, point};
use grainway_pipeline::dialect::{
    Action, Dialect, DialectAbout, DialectError, Known, ProgramHead, ReadEnd, ReadMove, Reader,
    Written,
};
use grainway_pipeline::doc::{
    Board, Depth, FeatureKind, IfUnreachable, Length, Relief, Unit, in_unit,
};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::motion::{Item, Spindle};
use grainway_pipeline::work::{
    Corner, CornerAnswer, Documents, Entry, Feature, Grain, HandWork, Hold, HoldKind, Part,
    PieceHold, Placement, Setup, SetupKind, SizedFeature, Tab, Variant, WasteRecord, Work,
};
use std::f64::consts::FRAC_PI_2;
use std::io::{BufRead, Write};
use std::ops::ControlFlow;

mod holding_limits;

/// A language for tests, one word a line: `TOP`, `R x y z`, `L x y z f`, `A cx cy sweep x y z f` (end given), `T n`, `S rpm` (negative: counter-clockwise),
/// `W seconds`, `P text`, `END`; `-` leaves an axis as it is.
struct Plain(DialectAbout);

impl Plain {
    fn new() -> Plain {
        Plain(DialectAbout {
            name: "plain".into(),
            version: 1,
            summary: String::new(),
            ending: ".txt".into(),
            arcs: true,
            helices: true,
            cycles: false,
            cutter_change: true,
            pauses: true,
            spindle: true,
            straight_rapids: true,
            decimals_mm: 3,
            decimals_inch: 4,
            blocks_per_second: 400.0,
            line_length: 0,
            numbered_files: false,
            most_lines: 0,
            length_by_change: false,
            numbering: None,
            speed_by_hand: false,
            coarse: None,
            corner_tolerance_mm: None,
            pen: None,
        })
    }
}

impl Dialect for Plain {
    fn about(&self) -> &DialectAbout {
        &self.0
    }
    fn write(
        &self,
        _: &ProgramHead,
        _: &mut dyn Iterator<Item = Item>,
        _: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        Ok(Written::default())
    }
    fn reader(&self) -> Option<&dyn Reader> {
        Some(self)
    }
}

impl Reader for Plain {
    fn read(
        &self,
        text: &mut dyn BufRead,
        receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> ReadEnd {
        let mut at = Known::default();
        let (mut feed, mut spindle, mut cutter, mut scale) = (None, None, None, 1.0);
        let mut lines = 0;
        let mut ended = false;
        for line in text.lines() {
            let line = line.unwrap();
            lines += 1;
            let words: Vec<&str> = line.split_whitespace().collect();
            let number = |i: usize, scale: f64| {
                words
                    .get(i)
                    .and_then(|w| w.parse::<f64>().ok())
                    .map(|v| v * scale)
            };
            let from = at;
            let to = |i: usize| Known {
                x: number(i, scale).or(from.x),
                y: number(i + 1, scale).or(from.y),
                z: number(i + 2, scale).or(from.z),
            };
            let action = match words.first().copied() {
                Some("INCH") => {
                    scale = 25.4;
                    continue;
                }
                Some("TOP") => {
                    at.z = Some(f64::INFINITY);
                    Action::RetractFull
                }
                Some("R") => {
                    at = to(1);
                    Action::Rapid
                }
                Some("L") => {
                    at = to(1);
                    feed = number(4, scale).or(feed);
                    Action::Line
                }
                Some("A") => {
                    at = to(4);
                    feed = number(7, scale).or(feed);
                    let centre = point(number(1, scale).unwrap(), number(2, scale).unwrap());
                    let d =
                        |k: Known| point(k.x.unwrap_or(0.0), k.y.unwrap_or(0.0)).distance(centre);
                    Action::Arc {
                        centre,
                        sweep: number(3, 1.0).unwrap(),
                        radius_mismatch: (d(from) - d(at)).abs(),
                    }
                }
                Some("T") => {
                    cutter = number(1, 1.0).map(|n| n as u32);
                    at = Known::default();
                    spindle = None;
                    Action::CutterChange
                }
                Some("S") => {
                    let rpm = number(1, 1.0).unwrap();
                    spindle = (rpm != 0.0).then_some(Spindle {
                        rpm: rpm.abs(),
                        clockwise: rpm > 0.0,
                    });
                    Action::Spindle
                }
                Some("W") => Action::Dwell {
                    seconds: number(1, 1.0).unwrap(),
                },
                Some("P") => {
                    at = Known::default();
                    Action::Pause {
                        message: words[1..].join(" "),
                    }
                }
                Some("END") => {
                    ended = true;
                    Action::End
                }
                _ => Action::Fault {
                    code: "unknown-word",
                    message: format!("\"{line}\" is not a line of this language."),
                },
            };
            let m = ReadMove {
                line: lines,
                from,
                to: at,
                action,
                feed,
                spindle,
                cutter,
            };
            if receive(m).is_break() {
                return ReadEnd::Stopped;
            }
        }
        ReadEnd::Complete { lines, ended }
    }
}

pub(super) fn documents() -> Documents {
    let shop = serde_json::json!({
        "format": "grainway.shop/1",
        "machines": {"router": {
            "dialect": "plain", "travel": [900, 700, 120], "z-zero": "bed", "max-feed": 5000, "max-plunge": 1500,
            "rapid": 8000, "acceleration": 500, "min-rpm": 6000, "max-rpm": 24000, "spoilboard": 18,
            "spin-up-seconds": 4, "cutter-change": "machine"
        }},
        "cutters": {
            "em6": {"kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "usable-length": 40, "max-rpm": 24000},
            "em8": {"kind": "end-mill", "number": 2, "diameter": 8, "cutting-length": 30, "usable-length": 40, "max-rpm": 24000},
            "em3": {"kind": "end-mill", "number": 3, "diameter": 3, "cutting-length": 25, "usable-length": 40, "max-rpm": 24000}
        },
        "stocks": {"ash": {"wood": "ash", "thickness": [18.0, 18.2]}}
    });
    let job = serde_json::json!({"format": "grainway.job/1", "name": "test", "shop": "shop.json"});
    in_unit(Unit::Mm, || Documents {
        job: serde_json::from_value(job).unwrap(),
        shop: serde_json::from_value(shop).unwrap(),
        hash: String::new(),
        night: None,
    })
}

pub(super) fn feature(
    key: &str,
    kind: FeatureKind,
    shape: Contour,
    floor: f64,
    through: bool,
) -> SizedFeature {
    SizedFeature {
        key: key.into(),
        kind,
        shape,
        islands: Vec::new(),
        circle: None,
        floor,
        through,
        relief: None,
        corners: Vec::new(),
        if_unreachable: IfUnreachable::Refuse,
        leave: None,
        cutter_wanted: None,
        cutter: Some("em6".into()),
        waste: None,
        source: Default::default(),
    }
}

fn right_corners(min: Point, max: Point) -> Vec<Corner> {
    let c = |at: Point, before: Point, after: Point| Corner {
        at,
        angle: FRAC_PI_2,
        before,
        after,
        lengths: [max.x - min.x, max.y - min.y],
        answer: CornerAnswer::Fillet,
    };
    let (x, y) = (point(1.0, 0.0), point(0.0, 1.0));
    vec![
        c(min, y, x),
        c(point(max.x, min.y), -x, y),
        c(max, -y, -x),
        c(point(min.x, max.y), x, -y),
    ]
}

pub(super) fn work(
    features: Vec<SizedFeature>,
    dimensioned: bool,
    size: Point,
    board: Point,
) -> Work {
    let mut documents = documents();
    let z = documents.z_frame("ash").unwrap();
    let stock = documents.shop.stocks.get_mut("ash").unwrap();
    stock.boards.push(Board {
        thickness: Vec::new(),
        id: "a".into(),
        length: Length::from_mm(board.x),
        width: Length::from_mm(board.y),
        count: 1,
        defects: Vec::new(),
    });
    let mut work = Work::new(documents);
    let outline = Contour::rectangle(point(0.0, 0.0), size, 0.0);
    for f in features.iter().filter(|f| !f.corners.is_empty()) {
        work.hand_work.push(HandWork {
            part: "end".into(),
            count: 1,
            feature: Some(f.key.clone()),
            at: None,
            what: "square its corners".into(),
            why: "the cutter leaves fillets".into(),
            pieces: Vec::new(),
        });
    }
    work.variants.push(Variant {
        id: "end".into(),
        part: "end".into(),
        side: Default::default(),
        turn: Default::default(),
        stock: "ash".into(),
        z,
        outline,
        dimensioned,
        features,
        steps: Vec::new(),
    });
    let at = if dimensioned {
        point(0.0, 0.0)
    } else {
        point(60.0, 60.0)
    };
    work.setups.push(Setup {
        id: "board-1".into(),
        kind: if dimensioned {
            SetupKind::Blank
        } else {
            SetupKind::Board
        },
        side: Default::default(),
        stock: "ash".into(),
        board: None,
        size: board,
        z,
        placements: vec![Placement {
            piece: "end".into(),
            variant: "end".into(),
            placing: Placing::shift(at),
            tabs: Vec::new(),
            waste: Vec::new(),
            tabbed: Vec::new(),
            replaced: Vec::new(),
            hold: Default::default(),
        }],
        holds: vec![
            margin_screw(point(12.0, 12.0)),
            margin_screw(board - point(12.0, 12.0)),
        ],
        safe_z: 40.0,
        own_steps: Vec::new(),
        order: Vec::new(),
        repeats: 1,
        lines: None,
        touch_off: None,
    });
    work
}

fn margin_screw(at: Point) -> Hold {
    Hold {
        kind: HoldKind::MarginScrew,
        at,
        head_radius: 4.0,
        shaft: 4.0,
        head_above: 2.0,
        after_pause: None,
        of: None,
    }
}

/// What documents would ask for of which this work is the plan.
pub(super) fn wanted_by(work: &Work) -> Wanted {
    let feature = |v: &Variant, f: &SizedFeature| Feature {
        key: f.key.clone(),
        kind: f.kind,
        side: v.side,
        shape: f.shape.clone(),
        islands: f.islands.clone(),
        circle: f.circle,
        depth: Some(match f.through {
            true => Depth::Through,
            false => Depth::Below(Length::from_mm(v.z.top() - f.floor)),
        }),
        left: None,
        relief: f.relief.clone(),
        if_unreachable: Some(f.if_unreachable),
        leave: f.leave,
        cutter: f.cutter_wanted.clone(),
        waste: f.waste.clone(),
        mating: None,
        source: f.source.clone(),
    };
    let part = |v: &Variant| {
        let outline = v.features.iter().find(|f| f.kind == FeatureKind::Outline);
        Part {
            id: v.part.clone(),
            name: None,
            mirrored: false,
            count: 1,
            stock: v.stock.clone(),
            grain: Grain::Any,
            outline: v.outline.clone(),
            outline_relief: outline.and_then(|o| o.relief.clone()),
            dimensioned: v.dimensioned,
            features: v
                .features
                .iter()
                .filter(|f| f.kind != FeatureKind::Outline)
                .map(|f| feature(v, f))
                .collect(),
            outline_cutter: outline.and_then(|o| o.cutter_wanted.clone()),
            source: Default::default(),
            as_drawn: false,
        }
    };
    Wanted::from_parts(work.variants.iter().map(part).collect())
}

/// A small generator of our own, so that a failing seed can be replayed.
pub(crate) struct Random(pub(crate) u64);

impl Random {
    /// From 0 to 1.
    pub(crate) fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Work and text whose pause for "two screws" names those that are driven in it, wherever a test has put them.
fn told(work: &Work, text: &str) -> (Work, String) {
    let mut work = work.clone();
    let setup = &mut work.setups[0];
    let driven = setup.holds.iter().filter(|h| h.after_pause == Some(1));
    let places: Vec<String> = driven
        .map(|h| format!("({}, {})", h.at.x, h.at.y))
        .collect();
    let one = if places.len() == 1 { "" } else { "s" };
    let words = format!("drive {} screw{one} at {}", places.len(), places.join(" "));
    for entry in &mut setup.order {
        if let Entry::Pause { message, .. } = entry {
            *message = message.replace("drive two screws", &words);
        }
    }
    (work, text.replace("drive two screws", &words))
}

fn verify(work: &Work, text: &str) -> SetupVerdict {
    let (work, text) = &told(work, text);
    let wanted = wanted_by(work);
    let mut bytes = text.as_bytes();
    let mut texts = [Text {
        name: "01-board-1.txt",
        by_hand: Default::default(),
        planned: None,
        text: &mut bytes,
    }];
    verify_setup(
        work,
        &work.setups[0],
        &Models::of(work, &work.setups, wanted, Allowed::default()),
        &mut texts,
        &Plain::new(),
        &VerifySettings::default(),
    )
}

fn passes(work: &Work, text: &str) {
    let verdict = verify(work, text);
    let errors: Vec<String> = verdict
        .safe
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .map(|f| f.to_string())
        .collect();
    assert!(verdict.safe.passed && errors.is_empty(), "{errors:#?}");
}

/// The text is refused with this code; a finding with it names the feature (where one is asked for) and a line (if asked).
fn caught(work: &Work, text: &str, code: &str, feature: Option<&str>, line: bool) {
    let verdict = verify(work, text);
    let all: Vec<String> = verdict
        .safe
        .findings
        .iter()
        .map(|f| f.to_string())
        .collect();
    assert!(!verdict.safe.passed, "passed: {all:#?}");
    assert!(
        verdict.safe.findings.iter().any(|f| f.code == code
            && f.severity == Severity::Error
            && (feature.is_none() || f.feature.as_deref() == feature)
            && (!line || f.line.is_some())),
        "no {code} with {feature:?}: {all:#?}"
    );
}

/// The text with its one line that starts with `from` (and is the `nth` such, from 0) replaced.
fn edit(text: &str, from: &str, nth: usize, to: &str) -> String {
    let mut seen = 0;
    let mut hit = false;
    let lines: Vec<String> = text
        .lines()
        .map(|l| {
            if l.starts_with(from) {
                seen += 1;
                if seen == nth + 1 {
                    hit = true;
                    return to.to_string();
                }
            }
            l.to_string()
        })
        .collect();
    assert!(hit, "no line starts with {from}");
    lines.join("\n") + "\n"
}

fn without(text: &str, from: &str, nth: usize) -> String {
    edit(text, from, nth, "").replace("\n\n", "\n")
}

// A blank 200 × 100 with a pocket 40 × 20 at (50, 40), 6 mm deep: floor 12.1 (mean 18.1).

const POCKET_MIN: Point = point(50.0, 40.0);
const POCKET_MAX: Point = point(90.0, 60.0);

pub(super) fn pocket_work() -> Work {
    let mut f = feature(
        "p1",
        FeatureKind::Pocket,
        Contour::rectangle(POCKET_MIN, POCKET_MAX, 0.0),
        12.1,
        false,
    );
    f.corners = right_corners(POCKET_MIN, POCKET_MAX);
    work(vec![f], true, point(200.0, 100.0), point(200.0, 100.0))
}

/// A rectangle of the cutter's centre, run counter-clockwise at a height, from its lower left corner.
fn ring(min: Point, max: Point, z: f64) -> String {
    format!(
        "L {} {} {z} 1800\nL {} {} {z} 1800\nL {} {} {z} 1800\nL {} {} {z} 1800\n",
        max.x, min.y, max.x, max.y, min.x, max.y, min.x, min.y
    )
}

fn pocket_text() -> String {
    let mut t = String::from("TOP\nT 1\nTOP\nS 18000\nW 4\nR 53 43 -\nR - - 40\nR - - 20\n");
    for z in [15.1, 12.1] {
        // A ramp along the first side, then rings from the wall inwards.
        t += &format!("L 87 43 {z} 600\nL 53 43 {z} 1800\n");
        for inset in [0.0, 3.0, 6.0] {
            let (min, max) = (
                point(53.0 + inset, 43.0 + inset),
                point(87.0 - inset, 57.0 - inset),
            );
            t += &format!("L {} {} {z} 1800\n", min.x, min.y);
            t += &ring(min, max, z);
        }
        t += &format!("L 53 43 {z} 1800\n");
    }
    t + "TOP\nS 0\nW 4\nR 0 0 -\nEND\n"
}

#[test]
fn good_pocket_passes() {
    passes(&pocket_work(), &pocket_text());
}

#[test]
fn a_move_a_tenth_off_is_caught() {
    let t = pocket_text();
    // The wall's line at y = 43 is moved into the wall …
    let t1 = edit(&t, "L 87 43 12.1 1800", 0, "L 87 42.9 12.1 1800");
    caught(&pocket_work(), &t1, "verify-gouge", Some("p1"), true);
    // … and the far wall's away from it: wood stays.
    let t2 = t
        .replace("L 87 57 12.1", "L 87 56.9 12.1")
        .replace("L 53 57 12.1", "L 53 56.9 12.1");
    caught(&pocket_work(), &t2, "verify-leftover", Some("p1"), true);
}

#[test]
fn a_pass_dropped_is_caught() {
    let t: String = pocket_text()
        .lines()
        .filter(|l| !l.contains(" 12.1 "))
        .map(|l| format!("{l}\n"))
        .collect();
    caught(&pocket_work(), &t, "verify-leftover", Some("p1"), true);
}

#[test]
fn a_millimetre_deeper_is_caught() {
    let t = pocket_text().replace(" 12.1 ", " 11.1 ");
    caught(&pocket_work(), &t, "verify-gouge", Some("p1"), true);
}

#[test]
fn a_rapid_through_wood_is_caught() {
    let t = edit(
        &pocket_text(),
        "L 53 43 15.1 1800",
        0,
        "R 120 43 15.1\nR 53 43 15.1",
    );
    caught(&pocket_work(), &t, "verify-rapid", None, true);
    let t = pocket_text().replace("R - - 20\n", "R - - 17\n");
    caught(&pocket_work(), &t, "verify-rapid", None, true);
}

#[test]
fn the_wrong_cutter_is_caught() {
    let t = pocket_text().replace("T 1", "T 2");
    caught(&pocket_work(), &t, "verify-gouge", Some("p1"), true);
    let t = pocket_text().replace("T 1", "T 3");
    caught(&pocket_work(), &t, "verify-leftover", Some("p1"), true);
    let t = pocket_text().replace("T 1", "T 77");
    caught(&pocket_work(), &t, "verify-wrong-cutter", None, true);
}

/// One finding says it; the layers of geometry, which such a text would keep busy for very long, are not asked.
#[test]
fn the_wrong_unit_is_caught() {
    let t = format!("INCH\n{}", pocket_text());
    caught(&pocket_work(), &t, "verify-unit", None, false);
    only_the_text_is_checked(&pocket_work(), &t);
}

fn only_the_text_is_checked(work: &Work, text: &str) {
    let verdict = verify(work, text).safe;
    let layers = verdict.figures.iter().map(|f| f.layer.as_str());
    assert!(
        layers.clone().all(|l| l == "legal"),
        "{:?}",
        verdict.figures
    );
    let geometry = [
        "verify-gouge",
        "verify-leftover",
        "verify-loose",
        "verify-rapid",
    ];
    let found = verdict
        .findings
        .iter()
        .find(|f| geometry.contains(&f.code.as_str()));
    assert_eq!(found, None);
}

/// What follows an illegal line has no meaning: neither moves nor further faults are taken from it.
#[test]
fn reading_stops_at_the_first_illegal_line() {
    let text = pocket_text();
    let lines: Vec<&str> = text.lines().collect();
    for at in [1, 9, lines.len() - 1] {
        let mut spoiled = lines.clone();
        spoiled.insert(at, "What");
        spoiled.push("What else");
        let spoiled = spoiled.join("\n");
        let verdict = verify(&pocket_work(), &spoiled).safe;
        let found: Vec<_> = verdict
            .findings
            .iter()
            .map(|f| (f.code.as_str(), f.line))
            .collect();
        assert_eq!(found, [("verify-text", Some(at as u64 + 1))], "{at}");
        only_the_text_is_checked(&pocket_work(), &spoiled);
    }
}

/// Wherever a text starts the spindle, also one that turns already, or makes it faster, a cut waits as long as the machine needs, whatever the plan.
#[test]
fn a_cut_before_the_spindle_is_up_to_speed_is_caught() {
    let w = pocket_work();
    let t = pocket_text();
    let waits = |words: &str| t.replacen("S 18000\nW 4\n", words, 1);
    // Texts have hundredths of a second.
    for good in [
        "S 18000\nW 4\n",
        "S 18000\nW 3.99\n",
        "S 18000\nW 2\nW 2\n",
        "W 9\nS 18000\nS 18000\nW 4\n",
    ] {
        passes(&w, &waits(good));
    }
    for bad in [
        "S 18000\n",
        "S 18000\nW 3.98\n",
        "W 9\nS 18000\n",
        "S 18000\nW 4\nS 0\nS 18000\n",
        "S 17000\nW 4\nS 18000\n",
        // Taken up at the second start, the spindle comes from rest.
        "S 18000\nW 4\nS 18000\n",
        "S 18000\nW 4\nS 18000\nW 3.98\n",
    ] {
        caught(&w, &waits(bad), "verify-spindle", None, true);
    }
    // Between two passes.
    let between = |words: &str| {
        edit(
            &t,
            "L 53 43 15.1 1800",
            1,
            &format!("L 53 43 15.1 1800\n{words}"),
        )
    };
    passes(&w, &between("S 17000"));
    caught(&w, &between("S 18000"), "verify-spindle", None, true);
    caught(&w, &between("S 0\nS 18000"), "verify-spindle", None, true);
    caught(&w, &between("S 19000"), "verify-spindle", None, true);
    // The machine's own figure counts.
    let mut quick = w.clone();
    for machine in quick.documents.shop.machines.values_mut() {
        machine.spin_up_seconds = 0.0;
    }
    passes(&quick, &waits("S 18000\n"));
}

#[test]
fn illegal_texts_are_caught() {
    let w = pocket_work();
    let t = pocket_text();
    caught(
        &w,
        &t.replace("S 18000\n", ""),
        "verify-spindle",
        None,
        true,
    );
    caught(&w, &t.replace("END\n", ""), "verify-text", None, false);
    caught(
        &w,
        &t.replace("TOP\nT 1", "What\nT 1"),
        "verify-text",
        None,
        true,
    );
    caught(
        &w,
        &t.replace("S 18000", "S 30000"),
        "verify-limit",
        None,
        true,
    );
    caught(
        &w,
        &t.replace(" 1800\n", " 9000\n"),
        "verify-limit",
        None,
        true,
    );
    // Sideways before any height is known.
    let t = t.replace("T 1\nTOP\n", "T 1\n");
    caught(&w, &t, "verify-unknown-position", None, true);
}

#[test]
fn corners_are_computed_anew() {
    let mut w = pocket_work();
    // A dog-bone in every corner: the text without lobes leaves wood.
    let r = 3.0;
    let relieve = |w: &mut Work, scale: f64| {
        w.variants[0].features[0].relief = Some(Relief::default());
        for c in &mut w.variants[0].features[0].corners {
            let bisector = (c.before + c.after).normalized().unwrap();
            c.answer = CornerAnswer::Lobe {
                dog_bone: true,
                into_before: false,
                centre: c.at + bisector * (r * scale),
                radius: r,
                from: c.at,
            };
        }
    };
    relieve(&mut w, 1.0);
    caught(&w, &pocket_text(), "verify-leftover", Some("p1"), true);
    let mut t = pocket_text();
    for (c, sx, sy) in [
        ((53.0, 43.0), -1.0, -1.0),
        ((87.0, 43.0), 1.0, -1.0),
        ((87.0, 57.0), 1.0, 1.0),
        ((53.0, 57.0), -1.0, 1.0),
    ] {
        let out = 3.0 - 3.0 * std::f64::consts::FRAC_1_SQRT_2;
        let from = format!("L {} {} 12.1 1800\n", c.0, c.1);
        let at = t.find(&from).unwrap();
        let lobe = format!(
            "{from}L {:.3} {:.3} 12.1 900\n{from}",
            c.0 + sx * out,
            c.1 + sy * out
        );
        t.replace_range(at..at + from.len(), &lobe);
    }
    passes(&w, &t);
    // Without the corners' leave, the lobes are gouges.
    caught(&pocket_work(), &t, "verify-gouge", Some("p1"), true);
    // A stored lobe that is 5 % off its formula is caught whatever the text does.
    relieve(&mut w, 0.95);
    caught(&w, &t, "verify-relief", Some("p1"), false);
    relieve(&mut w, 1.05);
    caught(&w, &t, "verify-relief", Some("p1"), false);
}

// A part 200 × 120 cut from a board 320 × 240, 0.3 mm into the spoilboard, held by tabs 4 mm high on its long sides.

fn outline_work(tabs: usize) -> Work {
    let mut f = feature(
        "outline",
        FeatureKind::Outline,
        Contour::rectangle(point(0.0, 0.0), point(200.0, 120.0), 0.0),
        -0.3,
        true,
    );
    f.key = "outline".into();
    let mut w = work(vec![f], false, point(200.0, 120.0), point(320.0, 240.0));
    let placement = &mut w.setups[0].placements[0];
    if tabs > 0 {
        placement.hold = PieceHold::Tabs;
    }
    placement.tabs = (0..tabs)
        .map(|i| Tab {
            along: 100.0 * i as f64,
            neck: 8.0,
            top: 4.0,
        })
        .collect();
    w
}

/// Gives the piece of such work a skin, and somebody the work of cutting it.
fn give_skin(work: &mut Work) {
    let placement = &mut work.setups[0].placements[0];
    placement.hold = PieceHold::Skin(0.4);
    work.hand_work.push(HandWork {
        part: "end".into(),
        count: 1,
        feature: Some("outline".into()),
        at: None,
        what: "cut the skin".into(),
        why: String::new(),
        pieces: vec![placement.piece.clone()],
    });
}

/// The outline in passes, clockwise, its last passes lifted over tabs at the middle of the two long sides.
fn outline_text(lifted: bool) -> String {
    let mut t = String::from("TOP\nT 1\nTOP\nS 18000\nW 4\nR 57 57 -\nR - - 40\nR - - 20\n");
    let (x0, y0, x1, y1) = (57.0, 57.0, 263.0, 183.0);
    for z in [15.2, 12.2, 9.2, 6.2, 3.2, 1.0, -0.3] {
        t += &format!("L {x0} 100 {z} 600\nL {x0} {y0} {z} 1800\nL {x0} {y1} {z} 1800\n");
        let tab = |x: f64, y: f64, way: f64| {
            if lifted && z < 4.0 {
                let (a, b) = (x - way * 7.0, x + way * 7.0);
                format!(
                    "L {a} {y} {z} 1800\nL {a} {y} 4 600\nL {b} {y} 4 1800\nL {b} {y} {z} 600\n"
                )
            } else {
                String::new()
            }
        };
        t += &tab(160.0, y1, 1.0);
        t += &format!("L {x1} {y1} {z} 1800\nL {x1} {y0} {z} 1800\n");
        t += &tab(160.0, y0, -1.0);
        t += &format!("L {x0} {y0} {z} 1800\n");
    }
    t + "TOP\nS 0\nW 4\nR 0 0 -\nEND\n"
}

#[test]
fn good_outline_passes() {
    passes(&outline_work(2), &outline_text(true));
}

#[test]
fn a_tab_cut_is_caught() {
    let w = outline_work(2);
    // Both tabs cut through: the part is loose.
    caught(&w, &outline_text(false), "verify-loose", None, true);
    // One tab cut down to 1 mm, then away.
    let t = outline_text(true);
    let low = t
        .replace("L 153 183 4 600", "L 153 183 1 600")
        .replace("L 167 183 4 1800", "L 167 183 1 1800");
    caught(&w, &low, "verify-loose", Some("outline"), true);
    let gone = t
        .replace("L 153 183 4 600", "L 153 183 -0.3 600")
        .replace("L 167 183 4 1800", "L 167 183 -0.3 1800");
    caught(&w, &gone, "verify-loose", Some("outline"), true);
    // A tab of 3 mm neck.
    let narrow = t
        .replace("L 153 183", "L 155.5 183")
        .replace("L 167 183", "L 164.5 183");
    caught(&w, &narrow, "verify-loose", Some("outline"), true);
}

#[test]
fn an_outline_deeper_or_shallower_is_caught() {
    let w = outline_work(2);
    let t = outline_text(true);
    caught(
        &w,
        &t.replace(" -0.3 ", " -1.3 "),
        "verify-spoilboard",
        Some("outline"),
        true,
    );
    let dropped: String = t
        .lines()
        .filter(|l| !l.contains(" -0.3 "))
        .map(|l| format!("{l}\n"))
        .collect();
    caught(&w, &dropped, "verify-leftover", Some("outline"), true);
    let off = t.replace("L 57 183 -0.3", "L 57.1 183 -0.3");
    caught(&w, &off, "verify-gouge", Some("outline"), true);
}

#[test]
fn a_bridge_that_is_no_tab_is_caught() {
    let t = outline_text(true);
    let t = edit(
        &t,
        "L 57 183 -0.3",
        0,
        "L 57 140 -0.3 1800\nL 57 140 6 1800\nL 57 150 6 1800\nL 57 150 -0.3 600\nL 57 183 -0.3 1800",
    );
    caught(
        &outline_work(2),
        &t,
        "verify-leftover",
        Some("outline"),
        true,
    );
}

#[test]
fn the_board_needs_a_hold() {
    let mut w = outline_work(2);
    w.setups[0].holds.clear();
    caught(&w, &outline_text(true), "verify-loose", None, false);
}

#[test]
fn a_rapid_below_a_screw_head_is_caught() {
    let w = outline_work(2);
    // Over the wood by more than a rapid's margin, but below the head and across it.
    let t = outline_text(true).replace(
        "TOP\nS 0\nW 4\nR 0 0 -",
        "R - - 19.5\nR 12 12 19.5\nTOP\nS 0\nW 4\nR 0 0 -",
    );
    caught(&w, &t, "verify-hold", None, true);
}

// A bench end's opening 120 × 35 whose waste is held by two screws driven in a pause.

fn slug_work(second: Point) -> Work {
    let shape = Contour::rectangle(point(40.0, 40.0), point(160.0, 75.0), 0.0);
    let mut f = feature("c1", FeatureKind::Cutout, shape, -0.3, true);
    f.corners = right_corners(point(40.0, 40.0), point(160.0, 75.0));
    let mut w = work(vec![f], true, point(200.0, 120.0), point(200.0, 120.0));
    let setup = &mut w.setups[0];
    setup.holds = vec![Hold {
        kind: HoldKind::Clamp,
        head_radius: 10.0,
        shaft: 0.0,
        ..margin_screw(point(-4.0, 60.0))
    }];
    for at in [point(65.0, 57.5), second] {
        setup.holds.push(Hold {
            kind: HoldKind::WasteScrew,
            head_above: 0.0,
            after_pause: Some(1),
            of: Some(("end".into(), "c1".into())),
            ..margin_screw(at)
        });
    }
    setup.placements[0].waste.push(WasteRecord {
        feature: "c1".into(),
        by: grainway_pipeline::doc::WasteBy::Screws,
        screws: vec![point(65.0, 57.5), second],
        tabs: Vec::new(),
    });
    setup.own_steps.push(grainway_pipeline::work::SetupStep {
        stage: "hold".to_string(),
        operation: grainway_pipeline::work::Operation::Pilot,
        cutter: "em3".into(),
        rpm: 18000.0,
        feed: 900.0,
        plunge: 300.0,
        lowest: -6.0,
        moves: grainway_pipeline::work::BlobId(String::new()),
        allowed: [point(65.0, 57.5), point(135.0, 57.5)]
            .map(|p| (Contour::circle(p, 1.6), -6.0))
            .to_vec(),
    });
    setup.order = vec![
        Entry::Cutter("em3".into()),
        Entry::Pause {
            number: 1,
            message: "drive two screws".into(),
        },
        Entry::Cutter("em6".into()),
    ];
    w
}

fn slug_text() -> String {
    let mut t = String::from("TOP\nT 3\nTOP\nS 18000\nW 4\n");
    for x in [65.0, 135.0] {
        t += &format!(
            "R {x} 57.5 -\nR - - 40\nR - - 20\nL {x} 57.5 -6 300\nR {x} 57.5 20\nR - - 40\n"
        );
    }
    t += "TOP\nS 0\nW 4\nR 0 0 -\nP drive two screws\nTOP\nT 1\nTOP\nS 18000\nW 4\nR 43 43 -\nR - - 40\nR - - 20\n";
    for z in [15.2, 12.2, 9.2, 6.2, 3.2, 1.0, -0.3] {
        t += &format!("L 100 43 {z} 600\nL 43 43 {z} 1800\n");
        t += &ring(point(43.0, 43.0), point(157.0, 72.0), z);
    }
    t + "TOP\nS 0\nW 4\nR 0 0 -\nEND\n"
}

#[test]
fn good_slug_passes() {
    passes(&slug_work(point(135.0, 57.5)), &slug_text());
}

#[test]
fn a_deleted_pause_is_caught() {
    let t = without(&slug_text(), "P drive", 0);
    let w = slug_work(point(135.0, 57.5));
    caught(&w, &t, "verify-pause", Some("c1"), false);
    caught(&w, &t, "verify-loose", Some("c1"), true);
    // A pause in which the spindle turns, or that comes too late.
    let t = slug_text().replace("S 0\nW 4\nR 0 0 -\nP drive", "R 0 0 -\nP drive");
    caught(&w, &t, "verify-pause", None, true);
    let t = without(&slug_text(), "P drive", 0).replace(
        "TOP\nS 0\nW 4\nR 0 0 -\nEND",
        "TOP\nS 0\nW 4\nR 0 0 -\nP drive two screws\nTOP\nEND",
    );
    caught(&w, &t, "verify-loose", Some("c1"), true);
}

#[test]
fn a_screw_moved_is_caught() {
    // 10 mm along: its pilot is beside it. 10 mm across: the cutter passes too near as well.
    caught(
        &slug_work(point(145.0, 57.5)),
        &slug_text(),
        "verify-hold",
        Some("c1"),
        true,
    );
    caught(
        &slug_work(point(135.0, 67.5)),
        &slug_text(),
        "verify-hold",
        Some("c1"),
        true,
    );
    // One screw alone swings: the slug is longer than three times its width.
    let mut w = slug_work(point(135.0, 57.5));
    w.setups[0].holds.pop();
    caught(&w, &slug_text(), "verify-loose", Some("c1"), true);
    // None at all.
    w.setups[0].holds.truncate(1);
    caught(&w, &slug_text(), "verify-loose", Some("c1"), true);
}

#[test]
fn the_order_of_findings_does_not_depend_on_threads() {
    let w = outline_work(2);
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    let seven = rayon::ThreadPoolBuilder::new()
        .num_threads(7)
        .build()
        .unwrap();
    let t = outline_text(false);
    assert_eq!(
        one.install(|| verify(&w, &t)),
        seven.install(|| verify(&w, &t))
    );
}

fn warned(work: &Work, text: &str, code: &str) {
    let verdict = verify(work, text);
    let all: Vec<String> = verdict
        .safe
        .findings
        .iter()
        .map(|f| f.to_string())
        .collect();
    assert!(
        verdict.safe.findings.iter().any(|f| f.code == code),
        "no {code}: {all:#?}"
    );
}

#[test]
fn limits_and_loads_are_caught() {
    let (w, t) = (pocket_work(), pocket_text());
    // Beyond the machine's travel.
    let far = t.replace("R 0 0 -\nEND", "R 1000 0 -\nEND");
    caught(&w, &far, "verify-travel", None, false);
    // Too slow a feed rubs: 720 mm/min at 18,000 rev/min and two edges is 0.02 mm (feed per tooth = feed / (speed · edges)).
    warned(&w, &t.replace(" 1800\n", " 720\n"), "verify-chip-load");
    // Steps of 0.02 mm at 1,800 mm/min are 1,500 blocks a second.
    let steps: String = (1..=40)
        .map(|i| format!("L {:.2} 43 12.1 1800\n", 53.0 + 0.02 * f64::from(i)))
        .collect();
    let many = edit(
        &t,
        "L 87 43 12.1 1800",
        0,
        &format!("{steps}L 87 43 12.1 1800"),
    );
    warned(&w, &many, "verify-block-rate");
    // A cutter that does not cut in its centre goes straight down; one that is too short for its depth.
    let down = edit(
        &t,
        "L 87 43 15.1 600",
        0,
        "L 53 43 15.1 600\nL 87 43 15.1 600",
    );
    let mut blunt = w.clone();
    blunt
        .documents
        .shop
        .cutters
        .get_mut("em6")
        .unwrap()
        .centre_cutting = false;
    caught(&blunt, &down, "verify-load", Some("p1"), true);
    passes(&w, &down);
    let mut short = w.clone();
    short
        .documents
        .shop
        .cutters
        .get_mut("em6")
        .unwrap()
        .cutting_length = grainway_pipeline::doc::Length::from_mm(5.0);
    caught(&short, &t, "verify-load", Some("p1"), true);
    // A slot four times its depth of pass; a little more than one and a half times only warns.
    let one_pass: String = outline_text(true)
        .lines()
        .filter(|l| ![" 15.2 ", " 12.2 ", " 9.2 "].iter().any(|z| l.contains(z)))
        .map(|l| format!("{l}\n"))
        .collect();
    caught(&outline_work(2), &one_pass, "verify-load", None, true);
    // Through by 0.1 mm only: a zero set 0.2 mm high leaves a skin.
    warned(
        &outline_work(2),
        &outline_text(true).replace(" -0.3 ", " -0.1 "),
        "verify-extremes",
    );
}

/// A language that cannot be read back.
struct Mute(DialectAbout);

impl Dialect for Mute {
    fn about(&self) -> &DialectAbout {
        &self.0
    }
    fn write(
        &self,
        _: &ProgramHead,
        _: &mut dyn Iterator<Item = Item>,
        _: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        Ok(Written::default())
    }
    fn reader(&self) -> Option<&dyn Reader> {
        None
    }
}

#[test]
fn without_a_reader_nothing_is_verified() {
    let w = pocket_work();
    let mut bytes: &[u8] = b"END\n";
    let mut texts = [Text {
        name: "01.txt",
        by_hand: Default::default(),
        planned: None,
        text: &mut bytes,
    }];
    let mute = Mute(Plain::new().0);
    let verdict = verify_setup(
        &w,
        &w.setups[0],
        &Models::of(&w, &w.setups, wanted_by(&w), Allowed::default()),
        &mut texts,
        &mute,
        &VerifySettings::default(),
    );
    assert!(verdict.unverified && !verdict.safe.passed);
    assert_eq!(verdict.safe.findings[0].code, "verify-unverified");
    assert_eq!(verdict.safe.findings[0].severity, Severity::Error);
    assert_eq!(verdict.as_planned, [None]);
    // A shop that accepts this in writing is warned instead.
    let mut accepting = w.clone();
    let name = mute.about().name.clone();
    accepting.documents.shop.accept_unverified.push(name);
    let mut bytes: &[u8] = b"END\n";
    texts[0].text = &mut bytes;
    let verdict = verify_setup(
        &accepting,
        &accepting.setups[0],
        &Models::of(
            &accepting,
            &accepting.setups,
            wanted_by(&accepting),
            Allowed::default(),
        ),
        &mut texts,
        &mute,
        &VerifySettings::default(),
    );
    assert!(verdict.unverified && !verdict.safe.passed);
    assert_eq!(verdict.safe.findings[0].severity, Severity::Warning);
}

pub(super) fn read_plain(text: &str) -> Vec<ReadMove> {
    let mut moves = Vec::new();
    let mut bytes = text.as_bytes();
    Plain::new().read(&mut bytes, &mut |m| {
        moves.push(m);
        ControlFlow::Continue(())
    });
    moves
}

pub(super) fn plain_about() -> DialectAbout {
    Plain::new().0
}
