//! What a person reads, compared field by field.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// Every field that differs, as `file: field: before -> after`.
pub fn differences(base: &BTreeMap<&str, &[u8]>, other: &BTreeMap<&str, &[u8]>) -> Vec<String> {
    let names: BTreeSet<&&str> = base.keys().chain(other.keys()).collect();
    let mut out = Vec::new();
    for name in names {
        match (base.get(*name), other.get(*name)) {
            (Some(_), Some(_)) if name.ends_with(".pdf") && page(base) != page(other) => {}
            (Some(a), Some(b)) if a != b => file(name, a, b, &mut out),
            (Some(_), None) => out.push(format!("{name}: missing")),
            (None, Some(_)) => out.push(format!("{name}: not of the unaltered run")),
            _ => {}
        }
    }
    out
}

/// A difference in what only job, shop and drawings decide.
pub fn is_of_documents(difference: &str) -> bool {
    let fields = [
        "job",
        "documents",
        "code",
        "means",
        "machine",
        "drawings",
        "hand-work",
    ];
    difference.starts_with("partslist.csv")
        || difference.starts_with("handwork.csv")
        || fields
            .iter()
            .any(|f| difference.starts_with(&format!("report.json: /{f}")))
}

/// Only places that people choose freely differ: of screws and clamps that are there before the start, and where zero is set. The same
/// programs may leave wood there too, which the judge sees in the texts.
pub fn are_places(differences: &[String]) -> bool {
    let place = |d: &str| {
        let field = d.strip_prefix("report.json: /setups/");
        let mut keys = field
            .map_or("", |f| f.split(": ").next().unwrap_or(""))
            .split('/');
        let of = (keys.next(), keys.next(), keys.next(), keys.next());
        matches!(of, (Some(_), Some("holds"), Some(_), Some(_)))
            || matches!(of, (Some(_), Some("offcuts"), Some(_), Some("screw-holes")))
            || matches!(of, (Some(_), Some("touch-off"), ..))
    };
    let shown = |d: &str| d.starts_with("pictures/setup-") || d.starts_with("setup-sheet.html");
    let drawn = differences.iter().filter(|d| shown(d)).count();
    drawn < differences.len() && differences.iter().all(|d| place(d) || shown(d))
}

/// The sheet as a page: the PDF says the same in bytes that do not compare, so it is looked at where the page is equal.
fn page<'f>(files: &BTreeMap<&str, &'f [u8]>) -> Option<&'f [u8]> {
    files.get("setup-sheet.html").copied()
}

fn file(name: &str, a: &[u8], b: &[u8], out: &mut Vec<String>) {
    let [a_text, b_text] = [a, b].map(String::from_utf8_lossy);
    if name.ends_with(".json") {
        let [a, b] = [a, b].map(|t| serde_json::from_slice(t).unwrap_or_default());
        values(name, "", &a, &b, out);
    } else if name.ends_with(".csv") {
        rows(name, &a_text, &b_text, out);
    } else if name.ends_with(".html") || name.ends_with(".svg") {
        lines(name, &a_text, &b_text, out);
    } else {
        out.push(format!("{name}: bytes"));
    }
}

fn values(name: &str, at: &str, a: &Value, b: &Value, out: &mut Vec<String>) {
    match (a, b) {
        (Value::Object(x), Value::Object(y)) => {
            let keys: BTreeSet<&String> = x.keys().chain(y.keys()).collect();
            // Checksums of other files are of files that are compared themselves.
            for key in keys.into_iter().filter(|k| !at.is_empty() || *k != "files") {
                let [x, y] = [x, y].map(|m| m.get(key).unwrap_or(&Value::Null));
                values(name, &format!("{at}/{key}"), x, y, out);
            }
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => {
            for (i, (x, y)) in x.iter().zip(y).enumerate() {
                values(name, &format!("{at}/{i}"), x, y, out);
            }
        }
        _ if a != b => out.push(format!("{name}: {at}: {} -> {}", short(a), short(b))),
        _ => {}
    }
}

fn short(v: &Value) -> String {
    v.to_string().chars().take(120).collect()
}

fn rows(name: &str, a: &str, b: &str, out: &mut Vec<String>) {
    let table = |t: &str| -> Vec<Vec<String>> {
        t.lines()
            .map(|l| l.split(',').map(str::to_string).collect())
            .collect()
    };
    let (a, b) = (table(a), table(b));
    if a.len() != b.len() {
        out.push(format!("{name}: {} rows -> {}", a.len(), b.len()));
        return;
    }
    for (i, (x, y)) in a.iter().zip(&b).enumerate() {
        for (j, (x, y)) in x.iter().zip(y).enumerate().filter(|(_, (x, y))| x != y) {
            let column = a[0].get(j).map_or("", String::as_str);
            out.push(format!("{name}: row {i}, {column}: {x} -> {y}"));
        }
    }
}

/// Lines of a page in their order, then what is drawn, of which the order says nothing.
fn sorted(text: &str) -> (Vec<&str>, Vec<&str>) {
    let drawn = |l: &&str| {
        ["<path", "<text", "<circle", "<line", "<rect"]
            .iter()
            .any(|t| l.starts_with(t))
    };
    let (mut drawn, lines): (Vec<&str>, Vec<&str>) = text.lines().map(str::trim).partition(drawn);
    drawn.sort_unstable();
    (lines, drawn)
}

/// In a picture nobody sees what lies so near, mm of wood or of paper.
const SEEN_MM: f64 = 0.1;

/// What is drawn looks the same: its words are equal, its numbers nearly.
fn looks_the_same(a: &str, b: &str) -> bool {
    let parts = |t: &str| -> Vec<String> {
        let digit = |c: char| c.is_ascii_digit() || c == '.' || c == '-';
        let mut parts: Vec<String> = Vec::new();
        let mut last = None;
        for c in t.chars() {
            match parts.last_mut() {
                Some(part) if last == Some(digit(c)) => part.push(c),
                _ => parts.push(c.to_string()),
            }
            last = Some(digit(c));
        }
        parts
    };
    let near = |(x, y): (&String, &String)| {
        let numbers = x.parse::<f64>().ok().zip(y.parse::<f64>().ok());
        x == y || numbers.is_some_and(|(x, y)| (x - y).abs() <= SEEN_MM)
    };
    let (a, b) = (parts(a), parts(b));
    // A closed curve may begin elsewhere.
    let closed = |t: &[String]| t.iter().any(|p| p.starts_with("Z\""));
    let places = |t: &[String]| -> BTreeSet<String> { t.iter().cloned().collect() };
    let elsewhere = closed(&a) && closed(&b) && places(&a) == places(&b);
    a.len() == b.len() && (elsewhere || a.iter().zip(&b).all(near))
}

/// The drawn lines of either that the other has not, and that do not look like one of its own.
fn drawn_alone<'t>(a: &[&'t str], b: &[&'t str]) -> (Vec<&'t str>, Vec<&'t str>) {
    let only = |x: &[&'t str], y: &[&'t str]| -> Vec<&'t str> {
        x.iter()
            .filter(|l| y.binary_search(l).is_err())
            .copied()
            .collect()
    };
    let (mut a, mut b) = (only(a, b), only(b, a));
    a.retain(|x| match b.iter().position(|y| looks_the_same(x, y)) {
        Some(at) => {
            b.remove(at);
            false
        }
        None => true,
    });
    (a, b)
}

fn lines(name: &str, a: &str, b: &str, out: &mut Vec<String>) {
    let (a, b) = (sorted(a), sorted(b));
    let drawn = match a.1.len() == b.1.len() {
        true => drawn_alone(&a.1, &b.1),
        false => (a.1, b.1),
    };
    for (a, b) in [(a.0, b.0), drawn] {
        if a.len() != b.len() {
            out.push(format!("{name}: {} lines -> {}", a.len(), b.len()));
        }
        if let Some((x, y)) = a.iter().zip(&b).find(|(x, y)| x != y) {
            let cut = |t: &str| t.chars().take(160).collect::<String>();
            out.push(format!("{name}: {} -> {}", cut(x), cut(y)));
        }
    }
}

#[test]
fn places_and_pictures_are_told_apart_from_other_differences() {
    let places = |differences: &[&str]| {
        let all: Vec<String> = differences.iter().map(|d| (*d).to_string()).collect();
        are_places(&all)
    };
    let place = "report.json: /setups/0/holds/5/at/0: 518.3 -> 0.0";
    let picture = "pictures/setup-board-1.svg: a -> b";
    assert!(places(&[place, picture]));
    assert!(!places(&[picture]));
    for other in [
        "report.json: /setups/0/safe-z: 20.0 -> 21.0",
        "partslist.csv: row 1, count: 1 -> 2",
    ] {
        assert!(!places(&[place, other]), "{other}");
    }
    assert!(looks_the_same("M0 1.05L2 3", "M0 1.0L2 3.05"));
    for (a, b) in [
        ("M0 1L2 3", "M0 1.2L2 3"),
        (">5</text>", ">6</text>"),
        (">a5<", ">b5<"),
    ] {
        assert!(!looks_the_same(a, b), "{a} {b}");
    }
}
