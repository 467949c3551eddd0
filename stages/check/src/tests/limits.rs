//! Every limit of the layers of text, gouge and load, and of the comparison with the plan, with a text just inside and one just outside.
//! The text moves, never the limit.

use super::*;
use crate::planned::tests::{TEXT, compare};
use grainway_pipeline::doc::{Cutter, CutterChangeBy, Length};
use grainway_pipeline::finding::Finding;

/// A limit: its name; what is said when it is passed, by code, severity and words of the message; and both texts as a value in each.
struct Row {
    limit: &'static str,
    said: Option<(&'static str, Severity, &'static str)>,
    inside: String,
    outside: String,
    found: [bool; 2],
}

#[derive(Default)]
struct Table(Vec<Row>);

impl Table {
    /// A limit of `safe`: `text` is made of each value.
    fn safe(
        &mut self,
        limit: &'static str,
        said: (&'static str, Severity, &'static str),
        work: &Work,
        [inside, outside]: [&str; 2],
        text: impl Fn(&str) -> String,
    ) {
        let found = [inside, outside].map(|v| {
            let findings = verify(work, &text(v)).safe.findings;
            let (code, severity, words) = said;
            let is = |f: &Finding| f.code == code && f.severity == severity;
            findings.iter().any(|f| is(f) && f.message.contains(words))
        });
        self.add(limit, Some(said), [inside, outside], found);
    }
    /// A limit of the comparison with the plan: words of the text are replaced by each value.
    fn planned(&mut self, limit: &'static str, words: &str, [inside, outside]: [&str; 2]) {
        assert!(TEXT.contains(words), "{words}");
        let found = [inside, outside].map(|v| !compare(&TEXT.replacen(words, v, 1)).passed);
        self.add(limit, None, [inside, outside], found);
    }
    fn add(
        &mut self,
        limit: &'static str,
        said: Option<(&'static str, Severity, &'static str)>,
        [inside, outside]: [&str; 2],
        found: [bool; 2],
    ) {
        self.0.push(Row {
            limit,
            said,
            inside: inside.replace('\n', " / "),
            outside: outside.replace('\n', " / "),
            found,
        });
    }
    /// Prints the table; nothing may be said inside, and something outside.
    fn judge(&self) {
        let mut wrong = Vec::new();
        for r in &self.0 {
            let (code, severity) = r
                .said
                .map_or(("verify-as-planned", Severity::Error), |s| (s.0, s.1));
            println!(
                "{:52} {code:24} {severity:8?} {:34} {}",
                r.limit, r.inside, r.outside
            );
            if r.found != [false, true] {
                wrong.push(format!(
                    "{}: found inside and outside: {:?}",
                    r.limit, r.found
                ));
            }
        }
        assert!(wrong.is_empty(), "{wrong:#?}");
    }
}

const ERROR: Severity = Severity::Error;
const WARNING: Severity = Severity::Warning;

/// The pocket's text with one line replaced.
fn pocket(line: &str, nth: usize) -> impl Fn(&str) -> String {
    move |by| edit(&pocket_text(), line, nth, by)
}

/// A blank with nothing wanted on it, for cuts that are judged by themselves.
fn plain_work(change: impl Fn(&mut Cutter)) -> Work {
    let mut w = pocket_work();
    change(w.documents.shop.cutters.get_mut("em6").unwrap());
    w
}

/// Lines between a start over (20, 50) at 20 mm and a way out.
fn cut(lines: &str) -> String {
    format!(
        "TOP\nT 1\nTOP\nS 18000\nW 4\nR 20 50 -\nR - - 40\nR - - 20\n{lines}\nTOP\nS 0\nW 4\nR 0 0 -\nEND\n"
    )
}

#[test]
fn each_limit_of_the_text_inside_and_outside() {
    let mut t = Table::default();
    let w = pocket_work();
    let limit = |words: &'static str| ("verify-limit", ERROR, words);
    t.safe(
        "machine's largest feed, 5000",
        limit("feed 50"),
        &w,
        ["5005", "5006"],
        |f| cut(&format!("L 20 50 19 600\nL 100 50 19 {f}")),
    );
    t.safe(
        "machine's largest feed downwards, 1500",
        limit("goes down at"),
        &w,
        ["1501", "1503"],
        |f| cut(&format!("L 20 50 17 {f}")),
    );
    let speed = |s: &str| pocket_text().replace("S 18000", &format!("S {s}"));
    t.safe(
        "machine's largest speed, 24000",
        limit("the machine's largest speed"),
        &w,
        ["24024", "24025"],
        speed,
    );
    t.safe(
        "machine's least speed, 6000",
        limit("least speed"),
        &w,
        ["5994", "5993"],
        speed,
    );
    let marked = plain_work(|c| c.max_rpm = 20_000.0);
    t.safe(
        "the cutter's mark, 20000",
        limit("is marked"),
        &marked,
        ["20020", "20021"],
        speed,
    );
    let travel = |words: &'static str| ("verify-travel", ERROR, words);
    let parked = |at: &str| {
        pocket_text().replace("R 0 0 -\nEND", &format!("R 0 0 40\nR {at}\nR 0 0 40\nEND"))
    };
    t.safe(
        "travel along X, 900",
        travel("along X"),
        &w,
        ["900 0 40", "900.001 0 40"],
        parked,
    );
    t.safe(
        "travel along Y, 700",
        travel("along Y"),
        &w,
        ["0 700 40", "0 700.001 40"],
        parked,
    );
    t.safe(
        "travel along Z, 120",
        travel("along Z"),
        &w,
        ["0 0 132.1", "0 0 132.101"],
        parked,
    );
    t.safe(
        "block rate, 400 a second",
        ("verify-block-rate", WARNING, "blocks a second"),
        &w,
        ["0.076", "0.074"],
        |step| {
            let step: f64 = step.parse().unwrap();
            let steps: String = (1..=30)
                .map(|i| format!("L {:.3} 50 19 1800\n", 20.0 + step * f64::from(i)))
                .collect();
            cut(&format!("L 20 50 19 600\n{steps}"))
        },
    );
    t.safe(
        "an arc's two radii, 0.002 apart",
        ("verify-text", ERROR, "an arc's ends"),
        &w,
        ["40.0019", "40.0021"],
        |x| {
            cut(&format!(
                "L 20 50 19 600\nA 30 50 -3.14159265 {x} 50 19 1800"
            ))
        },
    );
    t.safe(
        "millimetres, not inches",
        ("verify-unit", ERROR, "wrong unit"),
        &w,
        ["", "INCH\n"],
        |unit| format!("{unit}{}", pocket_text()),
    );
    let wait = |words: &'static str| ("verify-spindle", ERROR, words);
    t.safe(
        "wait for the spindle's speed, 4 s",
        wait("after a line that starts the spindle"),
        &w,
        ["3.99", "3.98"],
        |s| pocket_text().replacen("W 4", &format!("W {s}"), 1),
    );
    t.safe(
        "wait for a spindle that is started again, but not for a slower one",
        wait("makes it faster"),
        &w,
        ["S 17998.9", "S 17999.1"],
        |s| {
            edit(
                &pocket_text(),
                "L 53 43 15.1 1800",
                1,
                &format!("{s}\nL 53 43 15.1 1800"),
            )
        },
    );
    t.safe(
        "wait for the spindle to stand, 4 s",
        wait("the program's end comes"),
        &w,
        ["3.99", "3.98"],
        |s| pocket_text().replace("S 0\nW 4", &format!("S 0\nW {s}")),
    );
    let slug = slug_work(point(135.0, 57.5));
    t.safe(
        "wait before a pause, 4 s",
        wait("a pause comes"),
        &slug,
        ["3.99", "3.98"],
        |s| slug_text().replacen("S 0\nW 4", &format!("S 0\nW {s}"), 1),
    );
    t.safe(
        "spindle at the end",
        wait("turns at the program's end"),
        &w,
        ["S 0\nW 4", "W 4"],
        |s| pocket_text().replace("S 0\nW 4", s),
    );
    t.safe(
        "spindle at a cutter's change",
        wait("turns at the cutter's change"),
        &w,
        ["S 0\nW 4\n", ""],
        |s| pocket_text().replace("TOP\nS 0", &format!("TOP\n{s}T 1\nTOP\nS 18000\nW 4\nS 0")),
    );
    t.safe(
        "wait in the wood, 1 s",
        wait("in one place of the wood"),
        &w,
        ["W 1", "W 1.01"],
        |s| {
            edit(
                &pocket_text(),
                "L 87 43 12.1 1800",
                0,
                &format!("{s}\nL 87 43 12.1 1800"),
            )
        },
    );
    t.safe(
        "wait at the wood's face, 18.2",
        wait("in one place of the wood"),
        &w,
        ["18.2", "18.19"],
        |z| cut(&format!("L 20 50 {z} 600\nW 30")),
    );
    t.safe(
        "which way the spindle turns",
        wait("counter-clockwise"),
        &w,
        ["18000", "-18000"],
        speed,
    );
    t.safe(
        "a cut with the spindle standing",
        wait("while the spindle stands"),
        &w,
        ["S 18000\nW 4", "S 0\nW 4"],
        |s| pocket_text().replacen("S 18000\nW 4", s, 1),
    );
    t.safe(
        "a cut without a feed",
        ("verify-text", ERROR, "no feed"),
        &w,
        ["600", "-"],
        |f| pocket_text().replacen("L 87 43 15.1 600", &format!("L 87 43 15.1 {f}"), 1),
    );
    t.safe(
        "a height before anything else, 21.2",
        ("verify-unknown-position", ERROR, "goes below"),
        &w,
        ["R - - 21.2", "R - - 21.19"],
        |s| pocket_text().replacen("TOP", s, 1),
    );
    t.safe(
        "raised at a cutter's change, 21.2",
        ("verify-rapid", ERROR, "changed before Z is raised"),
        &w,
        ["21.2", "21.19"],
        |z| pocket_text().replace("TOP\nS 0", &format!("R - - {z}\nS 0\nW 4\nT 1\nTOP\nS 0")),
    );
    let mut by_hand = pocket_work();
    by_hand.setups[0].safe_z = 40.0;
    for machine in by_hand.documents.shop.machines.values_mut() {
        machine.cutter_change = CutterChangeBy::Hand;
    }
    t.safe(
        "first rapid down by a zero set by hand, 10 over the wood",
        ("verify-rapid", ERROR, "set by hand"),
        &by_hand,
        ["28.19", "28.17"],
        |z| pocket_text().replacen("R - - 20", &format!("R - - {z}\nL - - 20 600"), 1),
    );
    let cutter = |words: &'static str| ("verify-wrong-cutter", ERROR, words);
    t.safe(
        "a cutter of the shop",
        cutter("which the shop does not have"),
        &w,
        ["T 1", "T 9"],
        |s| pocket_text().replacen("T 1", s, 1),
    );
    t.safe(
        "some cutter",
        cutter("with which cutter"),
        &w,
        ["T 1\nTOP", "TOP"],
        |s| pocket_text().replacen("T 1\nTOP", s, 1),
    );
    t.safe(
        "the program's end",
        ("verify-text", ERROR, "before its program ends"),
        &w,
        ["END\n", ""],
        |s| pocket_text().replace("END\n", s),
    );
    t.safe(
        "what a pause says",
        ("verify-pause", ERROR, "is to be driven in pause"),
        &slug,
        ["P drive two screws", "P drive three screws"],
        |s| slug_text().replace("P drive two screws", s),
    );
    t.judge();
}

#[test]
fn each_limit_of_gouges_inside_and_outside() {
    let mut t = Table::default();
    let w = pocket_work();
    let gouge = |words: &'static str| ("verify-gouge", ERROR, words);
    t.safe(
        "a wall entered by a straight cut, 0.02",
        gouge("at p1"),
        &w,
        ["L 87 42.982 12.1 1800", "L 87 42.978 12.1 1800"],
        pocket("L 87 43 12.1 1800", 0),
    );
    t.safe(
        "a wall entered above the floor, 0.02",
        gouge("at p1"),
        &w,
        ["L 87 42.982 15.1 600", "L 87 42.978 15.1 600"],
        pocket("L 87 43 15.1 600", 0),
    );
    t.safe(
        "a floor, 0.02",
        gouge("below the floor"),
        &w,
        ["L 87 43 12.082 1800", "L 87 43 12.078 1800"],
        pocket("L 87 43 12.1 1800", 0),
    );
    // An arc about (70, 50) whose top comes 3 mm and a little less near the wall at y = 60.
    t.safe(
        "a wall entered by an arc, 0.02",
        gouge("at p1"),
        &w,
        ["7.018", "7.022"],
        |r| {
            let r: f64 = r.parse().unwrap();
            let arc = format!(
                "L {} 50 12.1 1800\nA 70 50 {} {} 50 12.1 1800\nL 53 43 12.1 1800",
                70.0 + r,
                std::f64::consts::PI,
                70.0 - r
            );
            edit(&pocket_text(), "L 53 43 12.1 1800", 3, &arc)
        },
    );
    let o = outline_work(2);
    t.safe(
        "a part's edge, 0.02",
        gouge("at outline"),
        &o,
        ["L 57.018 183 -0.3 1800", "L 57.022 183 -0.3 1800"],
        |s| edit(&outline_text(true), "L 57 183 -0.3", 0, s),
    );
    // A line of 40 mm to engrave, 1 mm deep, and a cutter that follows it.
    let mut f = feature(
        "mark",
        FeatureKind::Engraving,
        Contour::polygon([point(20.0, 50.0), point(60.0, 50.0), point(60.0, 70.0)]),
        17.1,
        false,
    );
    f.cutter = Some("em3".into());
    let e = work(vec![f], true, point(200.0, 100.0), point(200.0, 100.0));
    let engraved = |s: &str| {
        cut(&format!(
            "L 20 50 17.1 600\nL {s} 17.1 1800\nL 20 50 17.1 1800"
        ))
        .replace("T 1", "T 3")
    };
    t.safe(
        "beside an engraved line, 0.02",
        gouge(""),
        &e,
        ["60 50.018", "60 50.022"],
        engraved,
    );
    t.safe(
        "below an engraved line, 0.02",
        gouge(""),
        &e,
        ["17.082", "17.078"],
        |z| cut(&format!("L 20 50 {z} 600\nL 60 50 {z} 1800")).replace("T 1", "T 3"),
    );
    t.judge();
}

#[test]
fn each_limit_of_loads_inside_and_outside() {
    let mut t = Table::default();
    let w = pocket_work();
    let load = |severity: Severity, words: &'static str| ("verify-load", severity, words);
    let slot = |deep: &str| {
        let z = 18.1 - deep.parse::<f64>().unwrap();
        cut(&format!("L 20 50 {z} 600\nL 180 50 {z} 1800"))
    };
    // A cutter's depth of pass is its radius, 3 mm, where it says none.
    t.safe(
        "one and a half times the depth of pass, 4.5",
        load(WARNING, "times a full slot"),
        &w,
        ["4.4", "4.6"],
        slot,
    );
    t.safe(
        "2.6 times the depth of pass, 7.8",
        load(ERROR, "times a full slot"),
        &w,
        ["7.7", "7.9"],
        slot,
    );
    let mut short = plain_work(|c| c.cutting_length = Length::from_mm(6.0));
    t.safe(
        "one pass against the cutting length, 6",
        load(ERROR, "in one pass"),
        &short,
        ["6.005", "6.015"],
        slot,
    );
    t.safe(
        "depth against the cutting length, 6",
        load(ERROR, "its shank is no thinner"),
        &short,
        ["5.905", "5.915"],
        slot,
    );
    let out = plain_work(|c| {
        c.cutting_length = Length::from_mm(6.0);
        c.usable_length = Some(Length::from_mm(10.0));
    });
    t.safe(
        "depth against the length out of the nut, 10",
        load(ERROR, "out of its nut"),
        &out,
        ["9.905", "9.915"],
        slot,
    );
    // A head 2 mm above the thickest wood, 18.2: the nut, 10 mm above the tip, comes down to it.
    let nut = |z: &str| cut(&format!("L 20 50 {z} 600\nL 20 20 {z} 1800"));
    t.safe(
        "the nut against a screw's head, 10.2",
        load(ERROR, "collet nut"),
        &out,
        ["10.2", "10.19"],
        nut,
    );
    let blunt = plain_work(|c| c.centre_cutting = false);
    t.safe(
        "straight down without cutting in the centre, 0.05",
        load(ERROR, "straight down"),
        &blunt,
        ["0.04", "0.06"],
        |deep| {
            let z = 18.1 - deep.parse::<f64>().unwrap();
            cut(&format!("L 20 50 {z} 600"))
        },
    );
    t.safe(
        "a slope that is a plunge, 1 in 1",
        load(ERROR, "straight down"),
        &blunt,
        ["24.5", "23.5"],
        |x| {
            // From the face down 4 mm.
            cut(&format!("L 20 50 18.1 600\nL {x} 50 14.1 600"))
        },
    );
    let chips = |words: &'static str| ("verify-chip-load", WARNING, words);
    let feed = |f: &str| pocket_text().replace(" 1800\n", &format!(" {f}\n"));
    t.safe(
        "least chip load, 0.04: 1440 mm/min",
        chips("rubs and burns"),
        &w,
        ["1440", "1438"],
        feed,
    );
    let slow = |f: &str| feed(f).replace("S 18000", "S 8000");
    t.safe(
        "greatest chip load, 0.25: 4000 mm/min",
        chips("tears"),
        &w,
        ["4000", "4001"],
        slow,
    );
    t.safe(
        "at a wall in an arc of 3 mm, twice as much",
        chips("tears"),
        &w,
        ["2000", "2001"],
        |f| {
            let lines = format!("L 70 50 16 600\nA 70 53 3.14159265 70 56 16 {f}");
            cut(&lines).replace("S 18000", "S 8000")
        },
    );
    short = plain_work(|c| {
        c.kind = grainway_pipeline::doc::CutterKind::Drill;
    });
    let hole = |deep: &str| {
        let z = 18.1 - deep.parse::<f64>().unwrap();
        cut(&format!("L 20 50 {z} 600\nR - - 20"))
    };
    t.safe(
        "a hole drilled at once, 1.5 diameters",
        load(ERROR, "without coming out"),
        &short,
        ["9.005", "9.015"],
        hole,
    );
    t.safe(
        "a hole drilled on, 1.5 diameters",
        load(ERROR, "without coming out"),
        &short,
        ["R - - 18.1\n", "R - - 18\n"],
        |lift| {
            cut(&format!(
                "L 20 50 12.1 600\n{lift}L 20 50 6.1 600\nR - - 20"
            ))
        },
    );
    let mut pilots = short.clone();
    pilots.setups[0].holds.push(margin_screw(point(20.0, 50.0)));
    t.safe(
        "a pilot drilled at once, 3 diameters",
        load(ERROR, "without coming out"),
        &pilots,
        ["18.005", "18.015"],
        hole,
    );
    t.safe(
        "a drill led sideways below the face, 18.2",
        ("verify-wrong-cutter", ERROR, "led sideways"),
        &short,
        ["18.2", "18.19"],
        |z| cut(&format!("L 20 50 {z} 600\nL 30 50 {z} 600")),
    );
    t.judge();
}

#[test]
fn each_limit_of_the_comparison_inside_and_outside() {
    let mut t = Table::default();
    let line = "L 50 10 15 1000";
    t.planned(
        "a cut's end along it, 0.005",
        line,
        ["L 49.9955 10 15 1000", "L 49.9945 10 15 1000"],
    );
    t.planned(
        "a cut's end beside it, 0.005",
        line,
        ["L 50 10.0045 15 1000", "L 50 10.0055 15 1000"],
    );
    t.planned(
        "a cut's height, 0.005",
        line,
        ["L 50 10 15.0045 1000", "L 50 10 15.0055 1000"],
    );
    let arc = "A 50 20 3.141592653589793 50 30 15 1000";
    t.planned(
        "an arc's centre, 0.005",
        arc,
        [
            "A 50.0022 20 3.141592653589793 50 30 15 1000",
            "A 50.0058 20 3.141592653589793 50 30 15 1000",
        ],
    );
    t.planned(
        "a feed, 0.5 %",
        line,
        ["L 50 10 15 1004.9", "L 50 10 15 1005.1"],
    );
    t.planned(
        "a small feed, 1.5 mm/min",
        "L 80 10 14 300",
        ["L 80 10 14 301.4", "L 80 10 14 301.6"],
    );
    t.planned("a speed, 0.5 %", "S 18000", ["S 18089", "S 18091"]);
    t.planned("a wait, 0.011 s", "W 4", ["W 4.01", "W 4.012"]);
    t.planned(
        "a rapid's place, 0.005",
        "R 10 10 -",
        ["R 10.0045 10 -", "R 10.0055 10 -"],
    );
    t.planned(
        "a rapid's height, 0.005",
        "R - - 40\nR - - 20\nL 10",
        [
            "R - - 40\nR - - 20.0045\nL 10",
            "R - - 40\nR - - 20.0055\nL 10",
        ],
    );
    t.planned(
        "a hole's axis, 0.005",
        "R 80 10 -",
        ["R 80.0045 10 -", "R 80.0055 10 -"],
    );
    t.planned(
        "a hole's depth, 0.005",
        "L 80 10 5 300",
        ["L 80 10 4.9955 300", "L 80 10 4.9945 300"],
    );
    t.planned(
        "a peck's depth, 0.005",
        "L 80 10 14 300",
        ["L 80 10 14.0045 300", "L 80 10 14.0055 300"],
    );
    t.planned(
        "how far a peck is lifted, 0.005",
        "R - - 20\nR - - 14.5",
        ["R - - 19.9955\nR - - 14.5", "R - - 19.9945\nR - - 14.5"],
    );
    t.planned(
        "where a peck begins again, as always, 0.005",
        "R - - 8.5",
        ["R - - 8.5045", "R - - 8.5055"],
    );
    t.planned(
        "a wait more than planned",
        "L 50 10 15 1000\n",
        ["L 50 10 15 1000\n", "L 50 10 15 1000\nW 0.01\n"],
    );
    t.planned(
        "what a pause says",
        "P turn it, 2",
        ["P TURN IT  2", "P turn it, 3"],
    );
    t.judge();
}
