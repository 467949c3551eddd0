//! How long the pocket loops of 1,000 typical parts take, all checks on: `cargo run --release -p grainway-pipeline --example
//! kernel_speed [PARTS]`.
//!
//! The parts are made up from a fixed seed: an outline of 12 to 80 corners, a third of its sides arcs, and two islands.

#![allow(clippy::print_stdout, reason = "a program for the terminal")]

use cavalier_contours::polyline::{PlineVertex, Polyline};
use cavalier_contours::shape_algorithms::{Shape, ShapeOffsetOptions};
use grainway_pipeline::geom::{
    Contour, Notes, Point, Region, Vertex, insets, point, self_crossing,
};
use std::f64::consts::TAU;
use std::time::Instant;

struct Dice(u64);

impl Dice {
    fn within(&mut self, lo: f64, hi: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        lo + (hi - lo) * ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn part(dice: &mut Dice) -> Region {
    let n = dice.within(12.0, 64.0) as usize;
    let vertices = (0..n)
        .map(|i| {
            let angle = TAU * (i as f64 + dice.within(0.2, 0.8)) / n as f64;
            let far = dice.within(190.0, 240.0);
            let bulge = if dice.within(0.0, 3.0) < 1.0 {
                dice.within(-0.3, 0.3)
            } else {
                0.0
            };
            Vertex {
                at: Point::unit(angle) * far,
                bulge,
            }
        })
        .collect();
    let outer = Contour {
        vertices,
        closed: true,
    };
    let island = |dice: &mut Dice, x: f64| {
        let at = point(x + dice.within(-20.0, 20.0), dice.within(-60.0, 60.0));
        let half = point(dice.within(6.0, 20.0), dice.within(6.0, 20.0));
        let round = dice.within(0.0, 6.0);
        Contour::rectangle(at - half, at + half, round).oriented(false)
    };
    let holes = vec![island(dice, -60.0), island(dice, 60.0)];
    Region { outer, holes }
}

/// The same loops by the arc kernel alone: nothing cleaned, nothing checked, and so now and then wrong.
fn bare(part: &Region) -> usize {
    let lines = part.contours().map(|c| {
        let mut line = Polyline::new_closed();
        let vertices = c.vertices.iter();
        line.vertex_data = vertices
            .map(|v| PlineVertex::new(v.at.x, v.at.y, v.bulge))
            .collect();
        line
    });
    let options = ShapeOffsetOptions::default();
    let mut shape = Shape::from_plines(lines).parallel_offset(3.175, &options);
    let mut levels = 0;
    while !shape.ccw_plines.is_empty() && levels < 100 {
        shape = shape.parallel_offset(2.8575, &options);
        levels += 1;
    }
    levels
}

fn main() {
    let parts: usize = std::env::args()
        .nth(1)
        .and_then(|n| n.parse().ok())
        .unwrap_or(1_000);
    let mut dice = Dice(1);
    let mut made: Vec<Region> = Vec::new();
    while made.len() < parts {
        let r = part(&mut dice);
        if self_crossing(&r.outer).is_none() {
            made.push(r);
        }
    }
    let start = Instant::now();
    let (mut levels, mut loops, mut vertices, mut notes) = (0, 0, 0, Notes::default());
    for r in &made {
        for level in insets(r, 3.175, 2.8575, &mut notes) {
            levels += 1;
            for c in level.iter().flat_map(Region::contours) {
                loops += 1;
                vertices += c.vertices.len();
            }
        }
    }
    let seconds = start.elapsed().as_secs_f64();
    let start = Instant::now();
    let bare_levels: usize = made.iter().map(bare).sum();
    let alone = start.elapsed().as_secs_f64();
    println!("{parts} parts, {levels} levels, {loops} loops, {vertices} vertices");
    println!(
        "{seconds:.3} s, {:.3} ms a part, {} notes",
        1e3 * seconds / parts as f64,
        notes.0.len()
    );
    println!(
        "the arc kernel alone: {alone:.3} s, {bare_levels} levels; checked over bare {:.2}",
        seconds / alone
    );
    for note in notes.0.iter().take(5) {
        println!("  {} {:?}", note.what, note.at);
    }
}
