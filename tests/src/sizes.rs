//! Outlines of very many lines and parts with very many holes through the whole chain: seconds and memory, against linear growth.

use crate::{cutting_sheet_shop, load_texts, make, root};
use grainway_geom::{Point, point};
use grainway_pipeline::stage::{FileProblem, Files};
use serde_json::json;
use std::time::Instant;

/// A ring of so many LINEs, as a drawing program exports a curve.
fn ring_of_lines(count: usize) -> String {
    let at = |i: usize| {
        let turn = (i % count) as f64 / count as f64 * std::f64::consts::TAU;
        point(400.0, 400.0) + Point::unit(turn) * (300.0 + 20.0 * (7.0 * turn).sin())
    };
    let line = |i| {
        let (a, b) = (at(i), at(i + 1));
        format!(
            "0\nLINE\n8\noutline\n10\n{}\n20\n{}\n11\n{}\n21\n{}\n",
            a.x, a.y, b.x, b.y
        )
    };
    (0..count).map(line).collect()
}

/// A square with so many holes of 5 mm.
fn square_with_holes(count: usize) -> String {
    let row = (count as f64).sqrt().ceil() as usize;
    let side = 12.0 * row as f64 + 40.0;
    let outline = format!(
        "0\nLWPOLYLINE\n8\noutline\n90\n4\n70\n1\n10\n0\n20\n0\n10\n{side}\n20\n0\n10\n{side}\n20\n{side}\n10\n0\n20\n{side}\n"
    );
    let hole = |i: usize| {
        let (x, y) = (
            26.0 + 12.0 * (i % row) as f64,
            26.0 + 12.0 * (i / row) as f64,
        );
        format!("0\nCIRCLE\n8\nhole\n10\n{x}\n20\n{y}\n40\n2.5\n")
    };
    outline + &(0..count).map(hole).collect::<String>()
}

/// A drawing that stands nowhere.
struct Drawing(String);

impl Files for Drawing {
    fn read(&self, _: &str) -> Result<Vec<u8>, FileProblem> {
        let entities = &self.0;
        let text = format!("0\nSECTION\n2\nENTITIES\n{entities}0\nENDSEC\n0\nEOF\n");
        Ok(text.into_bytes())
    }
}

/// Seconds that the whole chain takes for so many `lines` of one outline, or `holes` of one part.
pub fn seconds(what: &str, count: usize) -> Result<f64, String> {
    let entities = match what {
        "lines" => ring_of_lines(count),
        "holes" => square_with_holes(count),
        _ => return Err(format!("{what:?} is neither lines nor holes")),
    };
    let job = json!({ "format": "grainway.job/1", "name": "sizes", "shop": "s", "drawings": [{
        "id": "d", "file": "d.dxf", "unit": "mm", "stock": "ply-12", "layers": [
            { "layer": "outline", "make": "outline", "depth": "through" },
            { "layer": "hole", "make": "hole", "depth": "through" } ] }] });
    let drill = "\"drill\": { \"kind\": \"drill\", \"number\": 2, \"diameter\": 5, \"cutting-length\": 40, \
        \"usable-length\": 45, \"max-rpm\": 24000 }, \"mill\"";
    let board =
        "\"thickness\": [12], \"boards\": [{ \"id\": \"b\", \"length\": 1450, \"width\": 1450 }]";
    let shop = cutting_sheet_shop(6.0)
        .replace("\"mill\"", drill)
        .replace("\"thickness\": [12]", board);
    let mut loaded = load_texts(&job.to_string(), &shop, &root())?;
    loaded.files = Box::new(Drawing(entities));
    let started = Instant::now();
    let made = make(loaded)?;
    let seconds = started.elapsed().as_secs_f64();
    match made.ready() {
        true => Ok(seconds),
        false => Err(format!("not ready: {:#?}", made.errors())),
    }
}

/// Four times as many against linear growth.
pub fn ratios((lines, holes): (usize, usize)) -> Result<Vec<String>, String> {
    // Starts what is started once.
    seconds("lines", 100)?;
    let ratio = |what: &str, count: usize| -> Result<String, String> {
        let (few, many) = (seconds(what, count)?, seconds(what, 4 * count)?);
        Ok(format!(
            "sizes: {} {what} {many:.3} s | {count} {what} {few:.3} s | ratio {:.2} (linear: 4)",
            4 * count,
            many / few
        ))
    };
    Ok(vec![ratio("lines", lines)?, ratio("holes", holes)?])
}

/// The most memory that this process has held, kB; 0 where the system does not tell.
pub fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let words = peak.and_then(|l| l.split_whitespace().next()?.parse().ok());
    words.unwrap_or(0)
}
