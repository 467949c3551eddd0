//! Mutators of pen languages: instructions of two letters with whole numbers.

use super::text::{Random, replaced};
use super::{Kind, Loses};

pub const KINDS: [Kind; 9] = [
    ("coordinate moved", Loses::Plan, coordinate),
    ("move deleted", Loses::Plan, move_deleted),
    (
        "pen up for down, or down for up",
        Loses::Plan,
        pen_other_way,
    ),
    ("another feed", Loses::Plan, other_feed),
    ("heights of the pen changed", Loses::Plan, heights),
    ("program not ended", Loses::Plan, not_ended),
    ("text cut off", Loses::Plan, cut_off),
    ("comment changed or deleted", Loses::Nothing, comment),
    ("spaces", Loses::Nothing, spaces),
];

type Lines = Vec<String>;

fn pick(lines: &[String], random: &mut Random, wanted: impl Fn(&str) -> bool) -> Option<usize> {
    let places: Vec<usize> = (0..lines.len()).filter(|i| wanted(&lines[*i])).collect();
    random.one(&places).copied()
}

/// The two numbers of "PD3600,7520;".
fn place(line: &str) -> Option<(&str, i64, i64)> {
    let (x, y) = line.strip_suffix(';')?.get(2..)?.split_once(',')?;
    Some((&line[..2], x.parse().ok()?, y.parse().ok()?))
}

fn coordinate(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| place(l).is_some())?;
    let (word, mut x, mut y) = place(&lines[at])?;
    // Units of 0.025 mm.
    let step = (random.step() / 0.025).round() as i64;
    match random.below(2) {
        0 => x += step,
        _ => y += step,
    }
    // On the straight way that the pen takes in any case, within a unit.
    let beside = |i: usize| lines.get(i).and_then(|l| place(l));
    let goes_on = |p: &(&str, i64, i64)| p.0 == word;
    let after = beside(at + 1).filter(goes_on);
    if let (Some((_, ax, ay)), Some((_, bx, by))) = (at.checked_sub(1).and_then(beside), after) {
        let (a, b) = ((ax, ay), (bx, by));
        let way = ((b.0 - a.0) as f64, (b.1 - a.1) as f64);
        let off = ((x - a.0) as f64, (y - a.1) as f64);
        let (length, along) = (way.0.hypot(way.1), way.0 * off.0 + way.1 * off.1);
        let across = (way.0 * off.1 - way.1 * off.0).abs();
        if across <= length && (0.0..=length * length).contains(&along) {
            return None;
        }
    }
    Some(replaced(lines, at, &[format!("{word}{x},{y};")]))
}

/// A corner of a path that lies 1 mm or more from the straight way past it.
fn move_deleted(lines: &[String], random: &mut Random) -> Option<Lines> {
    let far = |i: usize| {
        let at = |i: usize| place(&lines[i]);
        let (Some(a), Some(b), Some(c)) = (at(i - 1), at(i), at(i + 1)) else {
            return false;
        };
        let (way, off) = ((c.1 - a.1, c.2 - a.2), (b.1 - a.1, b.2 - a.2));
        let across = (way.0 * off.1 - way.1 * off.0) as f64;
        b.0 == "PD" && c.0 == "PD" && across.abs() >= 40.0 * (way.0 as f64).hypot(way.1 as f64)
    };
    let places: Vec<usize> = (1..lines.len().saturating_sub(1))
        .filter(|i| far(*i))
        .collect();
    let at = *random.one(&places)?;
    Some(replaced(lines, at, &[]))
}

/// An instruction with a place raises or lowers the pen before it goes there, so "PU;" and "PD;" alone are said again by the next one.
fn pen_other_way(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| place(l).is_some())?;
    let other = match &lines[at][..2] {
        "PD" => "PU",
        _ => "PD",
    };
    Some(replaced(
        lines,
        at,
        &[format!("{other}{}", &lines[at][2..])],
    ))
}

fn other_feed(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| l.starts_with("VS"))?;
    let now: u32 = lines[at][2..].strip_suffix(';')?.parse().ok()?;
    let more = 1 + random.below(5) as u32;
    Some(replaced(lines, at, &[format!("VS{};", now + more)]))
}

fn heights(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| l.contains("pen heights:"))?;
    // The feed behind the heights is told in more digits than count.
    let heights = lines[at].split(" at ").next()?;
    let digits: Vec<usize> = heights
        .match_indices(|c: char| c.is_ascii_digit())
        .map(|d| d.0)
        // The last digit of each number is less than what is allowed.
        .filter(|i| {
            lines[at]
                .as_bytes()
                .get(i + 1)
                .is_some_and(|b| b.is_ascii_digit() || *b == b'.')
        })
        .filter(|i| lines[at].as_bytes().get(i + 2) != Some(&b' '))
        .collect();
    let digit = *random.one(&digits)?;
    let new = (lines[at].as_bytes()[digit] - b'0' + 1 + random.below(8) as u8) % 10;
    let line = format!("{}{new}{}", &lines[at][..digit], &lines[at][digit + 1..]);
    Some(replaced(lines, at, &[line]))
}

fn not_ended(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| l == "SP0;")?;
    match random.below(2) {
        0 => Some(replaced(lines, at, &[])),
        _ => Some(replaced(lines, at, &["CO\"SP0\";".to_string()])),
    }
}

fn cut_off(lines: &[String], random: &mut Random) -> Option<Lines> {
    Some(lines[..1 + random.below(lines.len() - 2)].to_vec())
}

fn comment(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| {
        l.starts_with("CO") && !l.contains("pen heights")
    })?;
    match random.below(2) {
        0 => Some(replaced(lines, at, &[])),
        _ => Some(replaced(lines, at, &["CO\"something else\";".to_string()])),
    }
}

fn spaces(lines: &[String], random: &mut Random) -> Option<Lines> {
    let at = pick(lines, random, |l| place(l).is_some())?;
    Some(replaced(lines, at, &[lines[at].replace(',', " , ")]))
}
