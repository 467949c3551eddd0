//! Layer 1: the text is one that this machine may be given: grammar and modes as the reader saw them, feed and spindle, Z first
//! while positions are unknown, limits of machine and cutter, travel, block rate, unit.

use super::Scene;
use super::figures::{Said, mm};
use super::limits::Settled;
use super::motions::{Motion, Wrong, WrongCutter, WrongKind, WrongPause};
use grainway_geom::Bounds;
use grainway_pipeline::doc::CutterKind;
use grainway_pipeline::finding::{CodeInfo, Severity, code};
use std::collections::BTreeSet;

/// A block rate is measured over this many blocks; controllers look ahead about as far (common practice, no source).
const RATE_BLOCKS: usize = 24;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("legal");
    wrongs(scene, &mut said);
    limits(scene, &mut said);
    travel(scene, &mut said);
    block_rate(scene, &mut said);
    changes(scene, &mut said);
    said.exact(
        "lines read",
        scene.recorded.read.iter().map(|r| r.lines).sum::<u64>() as f64,
        "lines",
        None,
    );
    said.exact(
        "moves read",
        scene.recorded.motions.len() as f64,
        "moves",
        None,
    );
    said
}

fn wrongs(scene: &Scene<'_>, said: &mut Said) {
    for Wrong { text, line, kind } in &scene.recorded.wrong {
        let (code, message) = words(kind, scene.settled);
        let found = scene.at_line(*text, *line, code, message);
        let found = match kind {
            WrongKind::Pause(_) => found.remedy("Do not run it. Let it pause for the cutters that the setup sheet names, in that order and with those numbers."),
            _ => found,
        };
        said.find(Some(*text), found);
    }
}

fn of_cutter(wrong: &WrongCutter) -> String {
    match wrong {
        WrongCutter::Unknown(n) => {
            format!("the text calls cutter number {n}, which the shop does not have.")
        }
        WrongCutter::Other(n, id) => {
            format!("the text calls cutter number {n}; this program is for cutter {id}.")
        }
        WrongCutter::None => {
            "cuts, but neither the text nor the job says with which cutter.".to_string()
        }
    }
}

fn of_pause(wrong: &WrongPause) -> String {
    match wrong {
        WrongPause::Other(id, message) => {
            format!("cutter {id} is to go in here, and the pause says \"{message}\".")
        }
        WrongPause::Missing(id) => format!("the text does not pause for cutter {id}."),
        WrongPause::Stray(message) => {
            format!("no cutter is to go in here, and the pause says \"{message}\".")
        }
        WrongPause::WithoutWords(here, planned) => format!(
            "the text pauses {here} times and its program {planned} times; the pauses have no messages that say in which of them a cutter goes in."
        ),
    }
}

/// The code and the sentence.
fn words(kind: &WrongKind, settled: &Settled) -> (&'static CodeInfo, String) {
    match kind {
        WrongKind::Fault(word, message) => (
            &code::VERIFY_TEXT,
            format!("the text is not legal ({word}): {message}"),
        ),
        WrongKind::Unknown(what) => (
            &code::VERIFY_UNKNOWN_POSITION,
            format!(
                "the program {what} while a position is not known; after a start, a pause and a cutter change Z must be raised first."
            ),
        ),
        WrongKind::NoFeed => (
            &code::VERIFY_TEXT,
            "a cutting move has no feed in force.".to_string(),
        ),
        WrongKind::NoSpindle => (
            &code::VERIFY_SPINDLE,
            "a cutting move runs while the spindle stands.".to_string(),
        ),
        WrongKind::SpindleWay => (
            &code::VERIFY_SPINDLE,
            "the spindle is started counter-clockwise; no cutter of the shop cuts that way."
                .to_string(),
        ),
        WrongKind::TooManyMoves => (
            &code::VERIFY_TEXT,
            "the text has more moves than are looked at.".to_string(),
        ),
        WrongKind::ArcRadius(by) => (
            &code::VERIFY_TEXT,
            format!(
                "an arc's ends lie at distances from its centre that differ by {by:.4} mm; controllers refuse more than {} mm.",
                mm(settled.arc_radius)
            ),
        ),
        WrongKind::NotFinite => (&code::VERIFY_TEXT, "a number is not finite.".to_string()),
        WrongKind::Io(why) => (
            &code::VERIFY_TEXT,
            format!("the text could not be read: {why}"),
        ),
        WrongKind::NoEnd => (
            &code::VERIFY_TEXT,
            "the text stops before its program ends; part of it is missing.".to_string(),
        ),
        WrongKind::Wait(w) => (&code::VERIFY_SPINDLE, w.sentence(settled.spin_up)),
        WrongKind::Cutter(c) => (&code::VERIFY_WRONG_CUTTER, of_cutter(c)),
        WrongKind::Pause(p) => (&code::VERIFY_WRONG_CUTTER, of_pause(p)),
    }
}

/// A thousandth over is rounding of the text.
fn over(v: f64, limit: f64) -> bool {
    v > limit * 1.001 + 0.5
}

/// How fast a cut goes down into the wood, mm/min.
fn plunge_rate(m: &Motion, highest_top: f64) -> Option<f64> {
    let down = m.z[0] - m.z[1];
    let into = down > 1e-6 && m.low() < highest_top;
    into.then(|| m.feed * down / m.length().max(1e-9))
}

/// What a cut's feed and speed exceed: the kind of limit, and the sentence.
fn exceeded(scene: &Scene<'_>, m: &Motion) -> Vec<(u8, String)> {
    let s = scene.settled;
    let mut out = Vec::new();
    if over(m.feed, s.max_feed) {
        out.push((
            0,
            format!(
                "feed {} mm/min; the machine's largest is {}.",
                mm(m.feed),
                mm(s.max_feed)
            ),
        ));
    }
    if let Some(rate) = plunge_rate(m, scene.setup.z.highest_top())
        && over(rate, s.max_plunge)
    {
        out.push((
            1,
            format!(
                "goes down at {} mm/min; the machine's largest feed downwards is {}.",
                mm(rate),
                mm(s.max_plunge)
            ),
        ));
    }
    if m.rpm <= 0.0 {
        return out;
    }
    let spindle = |what: String| format!("spindle at {} rev/min; {what}.", mm(m.rpm));
    if over(m.rpm, s.max_rpm) {
        let what = format!("the machine's largest speed is {}", mm(s.max_rpm));
        out.push((2, spindle(what)));
    }
    if m.rpm < s.min_rpm * 0.999 - 0.5 {
        let what = format!("the machine's least speed is {}", mm(s.min_rpm));
        out.push((3, spindle(what)));
    }
    if let Some(t) = scene.recorded.tool(m)
        && over(m.rpm, t.cutter.max_rpm)
    {
        let what = format!("{} is marked {} at most", t.id, mm(t.cutter.max_rpm));
        out.push((4, spindle(what)));
    }
    out
}

fn limits(scene: &Scene<'_>, said: &mut Said) {
    let s = scene.settled;
    // One finding for each text and kind is enough; the first line is named.
    let mut seen: BTreeSet<(u16, u8, u16)> = BTreeSet::new();
    let (mut fastest, mut steepest) = (0.0_f64, 0.0_f64);
    for m in scene.recorded.motions.iter().filter(|m| m.cuts) {
        fastest = fastest.max(m.feed);
        let rate = plunge_rate(m, scene.setup.z.highest_top());
        steepest = steepest.max(rate.unwrap_or(0.0));
        for (kind, message) in exceeded(scene, m) {
            if seen.insert((m.text, kind, m.tool)) {
                let code = &code::VERIFY_LIMIT;
                said.find(Some(m.text), scene.at_line(m.text, m.line, code, message));
            }
        }
    }
    said.exact(
        "greatest feed",
        fastest,
        "mm/min",
        s.max_feed.is_finite().then_some(s.max_feed),
    );
    said.exact(
        "greatest feed downwards",
        steepest,
        "mm/min",
        s.max_plunge.is_finite().then_some(s.max_plunge),
    );
}

fn travel(scene: &Scene<'_>, said: &mut Said) {
    let mut all = Bounds::EMPTY;
    let mut cutting = Bounds::EMPTY;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for m in &scene.recorded.motions {
        let b = m.bounds();
        all = all.union(b);
        if m.cuts {
            cutting = cutting.union(b);
        }
        for z in m.z {
            if z.is_finite() {
                low = low.min(z);
                high = high.max(z);
            }
        }
    }
    if all.is_empty() {
        if scene.recorded.broken {
            return;
        }
        said.find(
            None,
            grainway_pipeline::finding::Finding::new(&code::VERIFY_TEXT, "the texts move nothing.")
                .setup(&scene.setup.id),
        );
        return;
    }
    let spans = [all.width(), all.height(), (high - low).max(0.0)];
    for (i, axis) in ["X", "Y", "Z"].iter().enumerate() {
        let limit = scene.settled.travel[i];
        said.exact(
            format!("travel along {axis}"),
            spans[i],
            "mm",
            limit.is_finite().then_some(limit),
        );
        if spans[i] > limit + 1e-6 {
            said.find(
                None,
                grainway_pipeline::finding::Finding::new(
                    &code::VERIFY_TRAVEL,
                    format!(
                        "the programs span {} mm along {axis}; the machine travels {} mm.",
                        mm(spans[i]),
                        mm(limit)
                    ),
                )
                .setup(&scene.setup.id),
            );
        }
    }
    // A text in the wrong unit is 25.4 times too large or too small. Gouge and leftover find that as well; this says why.
    let wanted = scene
        .pieces
        .iter()
        .fold(Bounds::EMPTY, |b, p| b.union(p.cut_bounds));
    if !wanted.is_empty() && !cutting.is_empty() {
        let size = |b: Bounds| b.width().hypot(b.height());
        // Extents of a single hole say nothing, so a reach is compared: farthest place from the board's zero.
        let reach = |b: Bounds| b.max.x.abs().max(b.max.y.abs()).max(size(b));
        let ratio = reach(cutting) / reach(wanted).max(1e-9);
        let near = |k: f64| ratio > k * 0.7 && ratio < k * 1.4;
        if near(25.4) || near(1.0 / 25.4) {
            said.find(
                None,
                grainway_pipeline::finding::Finding::new(
                    &code::VERIFY_UNIT,
                    format!(
                        "the cuts reach {} mm where {} mm are wanted, about {} times: the text is in the wrong unit.",
                        mm(reach(cutting)),
                        mm(reach(wanted)),
                        if ratio > 1.0 { "25.4" } else { "1/25.4" }
                    ),
                )
                .setup(&scene.setup.id),
            );
        }
    }
}

fn block_rate(scene: &Scene<'_>, said: &mut Said) {
    let limit = scene.blocks_per_second;
    let motions = &scene.recorded.motions;
    let mut times = std::collections::VecDeque::with_capacity(RATE_BLOCKS + 1);
    let mut sum = 0.0;
    let mut worst = (0.0_f64, 0usize);
    for (i, m) in motions.iter().enumerate() {
        if !m.cuts || m.feed <= 0.0 {
            times.clear();
            sum = 0.0;
            continue;
        }
        let t = m.length() / m.feed * 60.0;
        times.push_back(t);
        sum += t;
        if times.len() > RATE_BLOCKS {
            sum -= times.pop_front().unwrap_or(0.0);
        }
        if times.len() == RATE_BLOCKS {
            let rate = RATE_BLOCKS as f64 / sum.max(1e-9);
            if rate > worst.0 {
                worst = (rate, i);
            }
        }
    }
    said.exact(
        format!("greatest block rate over {RATE_BLOCKS} blocks"),
        worst.0,
        "blocks/s",
        (limit > 0.0).then_some(limit),
    );
    if limit > 0.0 && worst.0 > limit {
        let m = &motions[worst.1];
        said.find(
            Some(m.text),
            scene.at_line(
                m.text,
                m.line,
                &code::VERIFY_BLOCK_RATE,
                format!(
                    "{} blocks a second over {RATE_BLOCKS} blocks ending here; the controller keeps up with {}.",
                    mm(worst.0.round()),
                    mm(limit)
                ),
            )
            .severity(Severity::Warning),
        );
    }
}

fn changes(scene: &Scene<'_>, said: &mut Said) {
    for c in &scene.recorded.changes {
        if c.z.is_some_and(|z| z < scene.clear_z - 1e-6) {
            said.find(
                Some(c.text),
                scene.at_line(
                    c.text,
                    c.line,
                    &code::VERIFY_RAPID,
                    "the cutter is changed before Z is raised clear.",
                ),
            );
        }
    }
    // A drill is not led sideways through wood.
    let top = scene.setup.z.highest_top();
    if let Some(m) = scene.recorded.motions.iter().find(|m| {
        m.cuts
            && m.sideways()
            && m.low() < top
            && scene
                .recorded
                .tool(m)
                .is_some_and(|t| t.cutter.kind == CutterKind::Drill)
    }) {
        said.find(
            Some(m.text),
            scene.at_line(
                m.text,
                m.line,
                &code::VERIFY_WRONG_CUTTER,
                "a drill is led sideways in the wood.",
            ),
        );
    }
}
