//! Mutators of languages of blocks and words.

use super::text::{Force, Line, Random, number, read, replaced, with};
use super::{Kind, Loses};

/// What a text may differ from its plan, mm (docs/tolerances.md): a path that moves by less is the same.
const SAME_PATH_MM: f64 = 0.005;

pub const KINDS: [Kind; 41] = [
    (
        "pause with its message deleted",
        Loses::Guard,
        pause_deleted,
    ),
    ("stop of a pause deleted", Loses::Guard, stop_deleted),
    ("pause moved", Loses::Guard, pause_moved),
    ("message of a pause deleted", Loses::Guard, message_deleted),
    (
        "message about screws with another number",
        Loses::Guard,
        screws_elsewhere,
    ),
    (
        "message about a cutter with another number",
        Loses::Plan,
        other_cutter_told,
    ),
    ("wait deleted", Loses::Guard, wait_deleted),
    ("wait made shorter", Loses::Guard, wait_shorter),
    ("wait made longer", Loses::Plan, wait_longer),
    ("wait of 30 s in the wood", Loses::Plan, wait_in_wood),
    ("pecks made one", Loses::Guard, pecks_made_one),
    ("pecks deeper", Loses::Guard, pecks_deeper),
    ("pecks shallower", Loses::Plan, pecks_shallower),
    ("spindle not started", Loses::Guard, spindle_not_started),
    ("spindle started at speed 0", Loses::Guard, spindle_at_zero),
    ("spindle not stopped", Loses::Guard, spindle_not_stopped),
    ("spindle at another speed", Loses::Plan, other_speed),
    ("spindle the other way", Loses::Plan, other_way),
    ("overrides disabled", Loses::Plan, overrides_disabled),
    ("program not ended", Loses::Plan, not_ended),
    ("text cut off", Loses::Plan, cut_off),
    ("cutter change deleted", Loses::Plan, change_deleted),
    ("another cutter", Loses::Plan, other_cutter),
    ("another length called", Loses::Plan, other_length),
    ("another feed", Loses::Plan, other_feed),
    ("coordinate moved", Loses::Plan, coordinate),
    ("arc's centre moved", Loses::Plan, centre),
    ("arc the other way round", Loses::Plan, arc_turned),
    ("move deleted", Loses::Plan, move_deleted),
    ("two moves exchanged", Loses::Plan, moves_exchanged),
    ("move at feed made a rapid", Loses::Plan, feed_made_rapid),
    (
        "retract before a stop deleted",
        Loses::Plan,
        retract_deleted,
    ),
    ("counted in increments", Loses::Plan, increments),
    ("other unit", Loses::Plan, other_unit),
    ("other plane or origin", Loses::Plan, other_plane),
    ("comment changed or deleted", Loses::Nothing, comment),
    (
        "block number changed or deleted",
        Loses::Nothing,
        block_number,
    ),
    ("spaces", Loses::Nothing, spaces),
    ("small letters", Loses::Nothing, small_letters),
    ("leading zeros", Loses::Nothing, leading_zeros),
    (
        "word restated with the value in force",
        Loses::Nothing,
        restated,
    ),
];

type Lines = Vec<String>;
type All = [(Line, Force)];

/// One of the lines that a test holds for.
fn pick(
    all: &All,
    random: &mut Random,
    wanted: impl Fn(usize, &Line, &Force) -> bool,
) -> Option<usize> {
    let places: Vec<usize> = (0..all.len())
        .filter(|i| wanted(*i, &all[*i].0, &all[*i].1))
        .collect();
    random.one(&places).copied()
}

fn deleted(lines: &[String], at: usize) -> Option<Lines> {
    Some(replaced(lines, at, &[]))
}

/// A line put in before another.
fn put_in(lines: &[String], at: usize, line: &str) -> Option<Lines> {
    Some(replaced(lines, at, &[line.to_string(), lines[at].clone()]))
}

/// The line's word with a number that a function makes of its own.
fn changed(
    lines: &[String],
    at: usize,
    letter: char,
    make: impl Fn(f64) -> String,
) -> Option<Lines> {
    let word = Line::of(&lines[at]).word(letter)?;
    let line = with(&lines[at], word, &make(word.value));
    Some(replaced(lines, at, &[line]))
}

/// A code of a line exchanged for another, with as many digits.
fn exchanged(lines: &[String], at: usize, letter: char, from: f64, to: f64) -> Option<Lines> {
    let line = Line::of(&lines[at]);
    let word = line
        .words
        .iter()
        .find(|w| w.letter == letter && (w.value - from).abs() < 1e-9)?;
    let digits = word.to - word.from - 1;
    let line = with(&lines[at], *word, &format!("{to:0digits$}"));
    Some(replaced(lines, at, &[line]))
}

// ---- pauses

/// A pause: the line of its stop, and the first of its message's remarks.
fn pauses(all: &All) -> Vec<(usize, usize)> {
    let stops = (0..all.len()).filter(|i| all[*i].0.has('M', 0.0));
    stops
        .map(|stop| {
            let remarks = all[..stop].iter().rev().take_while(|l| l.0.remark).count();
            (stop - remarks, stop)
        })
        .collect()
}

fn pause(lines: &[String], random: &mut Random) -> Option<(usize, usize)> {
    random.one(&pauses(&read(lines))).copied()
}

fn pause_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    let (from, stop) = pause(lines, random)?;
    Some([&lines[..from], &lines[stop + 1..]].concat())
}

fn stop_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    deleted(lines, pause(lines, random)?.1)
}

fn pause_moved(lines: &[String], random: &mut Random) -> Option<Lines> {
    let (from, stop) = pause(lines, random)?;
    let all = read(lines);
    let rest = [&lines[..from], &lines[stop + 1..]].concat();
    // To a place where the machine works, not next to where it was.
    let to = pick(&all, random, |i, l, f| {
        l.moves() && f.rpm > 0.0 && i.abs_diff(from) > 12
    })?;
    let to = if to > from {
        to - (stop + 1 - from)
    } else {
        to
    };
    Some([&rest[..to], &lines[from..=stop], &rest[to..]].concat())
}

fn message_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    let (from, stop) = pause(lines, random).filter(|p| p.0 < p.1)?;
    Some([&lines[..from], &lines[stop..]].concat())
}

/// A number of a pause's message changed.
fn message(lines: &[String], random: &mut Random, says: &str) -> Option<Lines> {
    let wanted = |p: &(usize, usize)| {
        let text = lines[p.0..p.1].concat().to_ascii_lowercase();
        text.contains(says)
    };
    let all: Vec<_> = pauses(&read(lines)).into_iter().filter(wanted).collect();
    let (from, stop) = *random.one(&all)?;
    let at = from + random.below(stop - from);
    let digits: Vec<usize> = lines[at]
        .match_indices(|c: char| c.is_ascii_digit())
        .map(|d| d.0)
        .collect();
    let digit = *random.one(&digits)?;
    let new = (lines[at].as_bytes()[digit] - b'0' + 1 + random.below(8) as u8) % 10;
    let line = format!("{}{new}{}", &lines[at][..digit], &lines[at][digit + 1..]);
    Some(replaced(lines, at, &[line]))
}

fn screws_elsewhere(lines: &[String], random: &mut Random) -> Option<Lines> {
    message(lines, random, "screws")
}

fn other_cutter_told(lines: &[String], random: &mut Random) -> Option<Lines> {
    message(lines, random, "put in cutter")
}

// ---- waits

fn wait(lines: &[String], random: &mut Random) -> Option<usize> {
    pick(&read(lines), random, |_, l, _| l.has('G', 4.0))
}

fn wait_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    deleted(lines, wait(lines, random)?)
}

fn wait_shorter(lines: &[String], random: &mut Random) -> Option<Lines> {
    let share = [0.0, 0.1, 0.25, 0.5, 0.75, 0.9][random.below(6)];
    changed(lines, wait(lines, random)?, 'P', |p| number(p * share))
}

fn wait_longer(lines: &[String], random: &mut Random) -> Option<Lines> {
    let share = [1.1, 1.5, 2.0, 5.0, 60.0][random.below(5)];
    changed(lines, wait(lines, random)?, 'P', |p| number(p * share))
}

fn cuts(l: &Line, f: &Force) -> bool {
    let motion = l.words.iter().find(|w| w.letter == 'G' && w.value <= 3.0);
    let motion = motion.map_or(f.motion, |w| w.value);
    (1.0..=3.0).contains(&motion) && l.moves() && f.rpm > 0.0
}

fn wait_in_wood(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    // After a cut sideways and before another: the cutter is down.
    let sideways = |l: &Line| l.word('X').is_some() || l.word('Y').is_some();
    let at = pick(&all, random, |i, l, f| {
        i > 0
            && cuts(l, f)
            && sideways(l)
            && cuts(&all[i - 1].0, &all[i - 1].1)
            && sideways(&all[i - 1].0)
    })?;
    put_in(lines, at, "G4 P30.").map(|mut text| {
        if lines.iter().any(|l| l.contains("G04")) {
            text[at] = "G04 P30.".to_string();
        }
        text
    })
}

// ---- pecks

/// A peck written move by move: lines of the rapid out, the rapid down again, and the next cut.
fn written_pecks(all: &All) -> Vec<usize> {
    let only_z = |l: &Line| l.word('Z').is_some() && l.word('X').is_none() && l.word('Y').is_none();
    (0..all.len().saturating_sub(2))
        .filter(|i| {
            let [a, b, c] = [&all[*i], &all[i + 1], &all[i + 2]];
            let z = |l: &Line| l.word('Z').map_or(f64::NAN, |w| w.value);
            only_z(&a.0)
                && only_z(&b.0)
                && only_z(&c.0)
                && a.0.has('G', 0.0)
                && c.0.has('G', 1.0)
                && z(&a.0) > z(&b.0)
                && z(&c.0) < z(&b.0)
                && a.1.at[2] < z(&b.0)
        })
        .collect()
}

fn pecks_made_one(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    if let Some(at) = pick(&all, random, |_, l, _| l.has('G', 83.0)) {
        let text = exchanged(lines, at, 'G', 83.0, 81.0)?;
        let q = Line::of(&text[at]).word('Q')?;
        let line = format!("{}{}", text[at][..q.from].trim_end(), &text[at][q.to..]);
        return Some(replaced(&text, at, &[line]));
    }
    let at = *random.one(&written_pecks(&all))?;
    Some([&lines[..at], &lines[at + 2..]].concat())
}

fn by_q(lines: &[String], random: &mut Random, more: f64) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |_, l, _| {
        l.has('G', 83.0) && l.word('Q').is_some()
    })?;
    let unit = if all[at].1.inch { 25.4 } else { 1.0 };
    changed(lines, at, 'Q', |q| number(q + more / unit))
}

fn pecks_deeper(lines: &[String], random: &mut Random) -> Option<Lines> {
    let more = [1.0, 2.0, 5.0, 10.0, 40.0][random.below(5)];
    by_q(lines, random, more)
}

fn pecks_shallower(lines: &[String], random: &mut Random) -> Option<Lines> {
    let less = [0.1, 0.5, 1.0, 3.0, 6.0][random.below(5)];
    by_q(lines, random, -less)
}

// ---- spindle

/// The lines that start a spindle which stands: all of them up to the wait, since a step starts it once more.
fn starts(lines: &[String], random: &mut Random) -> Option<Vec<usize>> {
    let all = read(lines);
    let at = pick(&all, random, |_, l, f| l.has('M', 3.0) && f.rpm == 0.0)?;
    let waits = all[at..].iter().position(|l| l.0.has('G', 4.0));
    let to = waits.map_or(at + 1, |n| at + n);
    Some((at..to).filter(|i| all[*i].0.has('M', 3.0)).collect())
}

fn spindle_not_started(lines: &[String], random: &mut Random) -> Option<Lines> {
    let starts = starts(lines, random)?;
    let kept = lines
        .iter()
        .enumerate()
        .filter(|(i, _)| !starts.contains(i));
    Some(kept.map(|l| l.1.clone()).collect())
}

fn spindle_at_zero(lines: &[String], random: &mut Random) -> Option<Lines> {
    let mut out = lines.to_vec();
    for at in starts(lines, random)? {
        out = changed(&out, at, 'S', |_| "0".to_string())?;
    }
    Some(out)
}

fn spindle_not_stopped(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |_, l, f| l.has('M', 5.0) && f.rpm > 0.0)?;
    // A stop is said twice before a pause: all that stop the same run are lost.
    let more = all[at + 1..]
        .iter()
        .take_while(|l| !l.0.has_any('M', &[0.0, 2.0, 3.0, 6.0, 30.0]));
    let stops: Vec<usize> = (at..=at + more.count())
        .filter(|i| all[*i].0.has('M', 5.0))
        .collect();
    let kept = lines.iter().enumerate().filter(|(i, _)| !stops.contains(i));
    Some(kept.map(|l| l.1.clone()).collect())
}

fn other_speed(lines: &[String], random: &mut Random) -> Option<Lines> {
    let share = [0.5, 0.8, 0.95, 1.05, 1.2, 2.0][random.below(6)];
    let at = pick(&read(lines), random, |_, l, _| l.word('S').is_some())?;
    changed(lines, at, 'S', |s| format!("{:.0}", s * share))
}

fn other_way(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| l.has('M', 3.0))?;
    exchanged(lines, at, 'M', 3.0, 4.0)
}

fn overrides_disabled(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, f| l.moves() && f.rpm > 0.0)?;
    put_in(lines, at, "M49")
}

// ---- program

fn end(lines: &[String]) -> Option<usize> {
    lines
        .iter()
        .rposition(|l| Line::of(l).has_any('M', &[2.0, 30.0]))
}

fn not_ended(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = end(lines)?;
    match random.below(2) {
        0 => deleted(lines, at),
        _ => Some(replaced(lines, at, &[format!("({})", lines[at])])),
    }
}

fn cut_off(lines: &[String], random: &mut Random) -> Option<Lines> {
    let last = end(lines)?;
    Some(lines[..1 + random.below(last - 1)].to_vec())
}

fn change(lines: &[String], random: &mut Random) -> Option<usize> {
    pick(&read(lines), random, |_, l, _| l.has('M', 6.0))
}

fn change_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    deleted(lines, change(lines, random)?)
}

fn other_cutter(lines: &[String], random: &mut Random) -> Option<Lines> {
    let more = 1 + random.below(6);
    changed(lines, change(lines, random)?, 'T', |t| {
        format!("{:.0}", t + more as f64)
    })
}

/// Where the workingstep says it, not right after the change, where it is said again before anything moves by it.
fn other_length(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |i, l, _| {
        i > 0 && l.has('G', 43.0) && all[i - 1].0.has('G', 90.0)
    })?;
    let more = 1 + random.below(6);
    changed(lines, at, 'H', |h| format!("{:.0}", h + more as f64))
}

// ---- moves

fn other_feed(lines: &[String], random: &mut Random) -> Option<Lines> {
    let share = [0.5, 0.8, 0.9, 1.1, 1.3, 2.0][random.below(6)];
    let at = pick(&read(lines), random, |_, l, f| {
        cuts(l, f) && l.word('F').is_some()
    })?;
    let point = lines[at].rsplit('F').next()?.contains('.');
    changed(lines, at, 'F', |f| match point {
        true => format!("{:.1}", f * share),
        false => format!("{:.0}", f * share),
    })
}

fn coordinate(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let letter = ['X', 'Y', 'Z'][random.below(3)];
    let at = pick(&all, random, |i, l, _| {
        !l.has('G', 53.0) && l.word(letter).is_some() && !is_passed(&all, i)
    })?;
    let unit = if all[at].1.inch { 25.4 } else { 1.0 };
    let step = random.step() / unit;
    if is_on_the_way(&all, at, letter, step, SAME_PATH_MM / unit) {
        return None;
    }
    changed(lines, at, letter, |v| number(v + step))
}

/// The moved end of a straight move lies on the way that the cutter takes in any case, and the next move goes on from there: the path
/// stays within what a text may differ from its plan.
fn is_on_the_way(all: &All, at: usize, letter: char, step: f64, within: f64) -> bool {
    let moves = |i: &usize| all[*i].0.moves() && !all[*i].0.has('G', 53.0);
    let straight = |i: usize| i + 1 < all.len() && all[i + 1].1.motion < 1.5;
    let Some(next) = (at + 1..all.len()).find(moves) else {
        return false;
    };
    if !straight(at)
        || !straight(next)
        || (all[at + 1].1.motion - all[next + 1].1.motion).abs() > 0.5
    {
        return false;
    }
    let (before, was, after) = (all[at].1.at, all[at + 1].1.at, all[next + 1].1.at);
    let mut is = was;
    is[['X', 'Y', 'Z'].iter().position(|l| *l == letter).unwrap()] += step;
    let near = |p: [f64; 3], a: [f64; 3], b: [f64; 3]| distance(p, a, b) <= within;
    (near(is, before, was) || near(is, was, after))
        && (near(was, before, is) || near(was, is, after))
}

/// From a place to the way between two others.
fn distance(p: [f64; 3], a: [f64; 3], b: [f64; 3]) -> f64 {
    let from = |q: [f64; 3], o: [f64; 3]| -> [f64; 3] { std::array::from_fn(|i| q[i] - o[i]) };
    let dot = |u: [f64; 3], v: [f64; 3]| -> f64 { (0..3).map(|i| u[i] * v[i]).sum() };
    let (way, off) = (from(b, a), from(p, a));
    let t = (dot(way, off) / dot(way, way).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    let left: [f64; 3] = std::array::from_fn(|i| off[i] - t * way[i]);
    dot(left, left).sqrt()
}

/// A rapid straight up or down that the next move goes on with: where between the two it stops is no matter.
fn is_passed(all: &All, at: usize) -> bool {
    let straight = |i: usize| {
        let line = &all[i].0;
        let sideways = line.word('X').is_some() || line.word('Y').is_some();
        let rapid = all.get(i + 1).is_some_and(|after| after.1.motion == 0.0);
        line.word('Z').is_some() && !sideways && rapid
    };
    let moves = |i: &usize| ['X', 'Y', 'Z'].iter().any(|w| all[*i].0.word(*w).is_some());
    straight(at) && (at + 1..all.len()).find(moves).is_some_and(straight)
}

fn centre(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let letter = ['I', 'J'][random.below(2)];
    let at = pick(&all, random, |_, l, _| l.word(letter).is_some())?;
    let unit = if all[at].1.inch { 25.4 } else { 1.0 };
    let step = random.step() / unit;
    if is_same_arc(&all, at, letter, step, SAME_PATH_MM / unit) {
        return None;
    }
    changed(lines, at, letter, |v| number(v + step))
}

/// A short arc of a large radius hardly moves with its centre: every place of it stays within what a text may differ from its plan.
fn is_same_arc(all: &All, at: usize, letter: char, step: f64, within: f64) -> bool {
    let Some((_, after)) = all.get(at + 1) else {
        return false;
    };
    let word = |l: char| all[at].0.word(l).map_or(0.0, |w| w.value);
    let (start, end) = (all[at].1.at, after.at);
    let was = [start[0] + word('I'), start[1] + word('J')];
    let mut is = was;
    is[usize::from(letter == 'J')] += step;
    let radius = (is[0] - start[0]).hypot(is[1] - start[1]);
    let angle = |p: [f64; 3]| (p[1] - was[1]).atan2(p[0] - was[0]);
    let (from, whole) = (angle(start), std::f64::consts::TAU);
    let counter = after.motion > 2.5;
    let turn = (angle(end) - from).rem_euclid(whole);
    let turn = if counter { turn } else { turn - whole };
    let own = word('I').hypot(word('J'));
    (0..=16).all(|i| {
        let a = from + turn * f64::from(i) / 16.0;
        let p = [was[0] + own * a.cos(), was[1] + own * a.sin()];
        ((p[0] - is[0]).hypot(p[1] - is[1]) - radius).abs() <= within
    })
}

fn arc_turned(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| l.has_any('G', &[2.0, 3.0]))?;
    let is = if Line::of(&lines[at]).has('G', 2.0) {
        2.0
    } else {
        3.0
    };
    exchanged(lines, at, 'G', is, 5.0 - is)
}

/// Goes somewhere else than where the cutter stands, by a plain move.
fn goes(l: &Line, f: &Force) -> bool {
    let other =
        |letter: char, now: f64| l.word(letter).is_some_and(|w| (w.value - now).abs() > 1e-9);
    let plain = !l.has('G', 53.0) && !l.words.iter().any(|w| w.letter == 'G' && w.value > 3.0);
    plain && (other('X', f.at[0]) || other('Y', f.at[1]) || other('Z', f.at[2]))
}

/// What is left out when the place of a line is passed straight by, in the text's unit: how far it lies from that way.
fn passed_by(all: &All, at: usize) -> f64 {
    let place = |l: &Line, f: &Force| {
        let [x, y, z] = f.at;
        let of = |letter: char, now: f64| l.word(letter).map_or(now, |w| w.value);
        [of('X', x), of('Y', y), of('Z', z)]
    };
    let a = all[at].1.at;
    let b = place(&all[at].0, &all[at].1);
    let Some(next) = all.get(at + 1) else {
        return f64::INFINITY;
    };
    let c = place(&next.0, &next.1);
    let minus = |p: [f64; 3], q: [f64; 3]| [p[0] - q[0], p[1] - q[1], p[2] - q[2]];
    let dot = |p: [f64; 3], q: [f64; 3]| p[0] * q[0] + p[1] * q[1] + p[2] * q[2];
    let (way, off) = (minus(c, a), minus(b, a));
    let share = (dot(off, way) / dot(way, way).max(1e-12)).clamp(0.0, 1.0);
    let rest = minus(off, way.map(|v| v * share));
    dot(rest, rest).sqrt()
}

/// A corner of a path counts when it lies farther from the straight way than texts may from the plan: 0.02 mm, or as many of an inch.
fn move_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |i, l, f| {
        goes(l, f) && cuts(l, f) && passed_by(&all, i) > 0.02
    })?;
    deleted(lines, at)
}

fn moves_exchanged(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |i, l, f| {
        let next = all.get(i + 1);
        next.is_some_and(|n| goes(l, f) && goes(&n.0, &n.1) && cuts(l, f) && cuts(&n.0, &n.1))
    })?;
    let mut text = lines.to_vec();
    text.swap(at, at + 1);
    Some(text)
}

fn feed_made_rapid(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, f| {
        l.has('G', 1.0) && goes(l, f)
    })?;
    exchanged(lines, at, 'G', 1.0, 0.0)
}

/// The last move upwards before the spindle stops.
fn retract_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |i, l, f| {
        let stops = all.get(i + 1).is_some_and(|n| n.0.has('M', 5.0));
        let up = l
            .word('Z')
            .is_some_and(|z| l.has('G', 53.0) || z.value > f.at[2]);
        stops && up && f.at[2].is_finite()
    })?;
    deleted(lines, at)
}

// ---- modes

/// Moves by a line of modes: one follows before the modes are said again.
fn moved_by(all: &All, at: usize) -> bool {
    let own = all[at + 1..]
        .iter()
        .take_while(|l| !l.0.has_any('G', &[90.0, 91.0]));
    own.into_iter().any(|l| l.0.moves() && !l.0.has('G', 53.0))
}

fn increments(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |i, l, _| {
        l.has('G', 90.0) && moved_by(&all, i)
    })?;
    exchanged(lines, at, 'G', 90.0, 91.0)
}

fn other_unit(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let units = [20.0, 21.0, 70.0, 71.0];
    let at = pick(&all, random, |i, l, _| {
        l.has_any('G', &units) && moved_by(&all, i)
    })?;
    let is = units.into_iter().find(|v| all[at].0.has('G', *v))?;
    let other = if is % 10.0 == 0.0 { is + 1.0 } else { is - 1.0 };
    exchanged(lines, at, 'G', is, other)
}

fn other_plane(lines: &[String], random: &mut Random) -> Option<Lines> {
    let (is, other) = [(17.0, 18.0), (17.0, 19.0), (54.0, 55.0), (54.0, 59.0)][random.below(4)];
    let at = pick(&read(lines), random, |_, l, _| l.has('G', is))?;
    exchanged(lines, at, 'G', is, other)
}

// ---- not harmful

/// A remark that is no message of a pause.
fn comment(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let pauses = pauses(&all);
    let at = pick(&all, random, |i, l, _| {
        l.remark && !pauses.iter().any(|p| (p.0..p.1).contains(&i))
    })?;
    match random.below(2) {
        0 => deleted(lines, at),
        _ => Some(replaced(lines, at, &["(SOMETHING ELSE)".to_string()])),
    }
}

fn block_number(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| l.word('N').is_some())?;
    let n = Line::of(&lines[at]).word('N')?;
    let line = match random.below(2) {
        0 => lines[at][n.to..].trim_start().to_string(),
        _ => with(&lines[at], n, &format!("{:.0}", n.value + 3.0)),
    };
    Some(replaced(lines, at, &[line]))
}

fn spaces(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| {
        !l.remark && l.words.len() > 1
    })?;
    let line = match random.below(2) {
        0 => lines[at].replace(' ', "  "),
        _ => lines[at].replace(' ', ""),
    };
    Some(replaced(lines, at, &[line]))
}

fn small_letters(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| {
        !l.remark && !l.words.is_empty()
    })?;
    Some(replaced(lines, at, &[lines[at].to_ascii_lowercase()]))
}

fn leading_zeros(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(&read(lines), random, |_, l, _| l.word('G').is_some())?;
    let g = Line::of(&lines[at]).word('G')?;
    let line = with(&lines[at], g, &format!("0{}", &lines[at][g.from + 1..g.to]));
    Some(replaced(lines, at, &[line]))
}

/// A coordinate said again.
fn restated(lines: &[String], random: &mut Random) -> Option<Lines> {
    let all = read(lines);
    let at = pick(&all, random, |_, l, f| {
        cuts(l, f) && l.word('X').is_some() && l.word('Y').is_none() && f.at[1].is_finite()
    })?;
    let line = &all[at];
    let x = line.0.word('X')?;
    let text = format!(
        "{} Y{}{}",
        &lines[at][..x.to],
        number(line.1.at[1]),
        &lines[at][x.to..]
    );
    Some(replaced(lines, at, &[text]))
}
