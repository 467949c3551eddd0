//! What the border costs: a million moves written by the example dialect through the C interface, and by the same writer called
//! directly, in turns.
//!
//!     cargo run --release -p grainway-host --example boundary [-- MOVES]
//!
//! The direct call makes the same items and throws the same text away; what remains is the border: items put into batches and
//! taken out again, the text checked for UTF-8, counted and handed on.
#![allow(clippy::print_stdout, reason = "a bench prints")]

use grainway_geom::point;
use grainway_host::load;
use grainway_pipeline::dialect::{Dialect, ProgramHead};
use grainway_pipeline::motion::{Item, Move};
use grainway_sdk as sdk;
use sdk::Dialect as _;
use std::error::Error;
use std::time::Instant;

/// The k-th move: mostly lines, every fifth an arc.
fn arc(k: u64) -> bool {
    k % 5 == 4
}

fn place(k: u64) -> [f64; 3] {
    let (row, column) = (k / 1000, k % 1000);
    [column as f64 * 0.503, row as f64 * 0.257, -1.0]
}

fn native(moves: u64) -> impl Iterator<Item = Item> {
    (0..moves).map(|k| {
        let [x, y, z] = place(k);
        Item::Move(if k == 0 {
            Move::Rapid {
                to: point(x, y).at_z(z),
            }
        } else if arc(k) {
            Move::Arc {
                centre: point(x, y),
                sweep: 1.25,
                dz: 0.0,
                feed: 1200.0,
            }
        } else {
            Move::Line {
                to: point(x, y).at_z(z),
                feed: 2400.0,
            }
        })
    })
}

fn direct(moves: u64) -> impl Iterator<Item = sdk::Item<'static>> {
    (0..moves).map(|k| {
        let to = place(k);
        sdk::Item::Move(if k == 0 {
            sdk::Move::Rapid { to }
        } else if arc(k) {
            sdk::Move::Arc {
                centre: [to[0], to[1]],
                sweep: 1.25,
                dz: 0.0,
                feed: 1200.0,
            }
        } else {
            sdk::Move::Line { to, feed: 2400.0 }
        })
    })
}

fn main() -> Result<(), Box<dyn Error>> {
    let moves = match std::env::args().nth(1) {
        Some(n) => n.parse()?,
        None => 1_000_000,
    };
    // Built beside this program, as a dependency of it.
    let mut path = std::env::current_exe()?;
    path.pop();
    path.pop();
    path.push("deps/libsentences_rust.so");
    let library = load(&path)?;
    let dialect = library.dialects().remove(0);
    let (mut through, mut straight) = (f64::MAX, f64::MAX);
    let (mut bytes, mut bytes_direct) = (0u64, 0u64);
    for _ in 0..5 {
        let start = Instant::now();
        bytes = through_the_border(dialect.as_ref(), moves)?;
        through = through.min(start.elapsed().as_secs_f64());
        let start = Instant::now();
        bytes_direct = called_directly(moves)?;
        straight = straight.min(start.elapsed().as_secs_f64());
    }
    if bytes != bytes_direct {
        return Err(format!("{bytes} bytes through the border, {bytes_direct} without").into());
    }
    let each = (through - straight) / moves as f64 * 1e9;
    println!("{moves} moves, {bytes} bytes of text, best of 5");
    println!("through the border {through:.3} s, the same writer called directly {straight:.3} s");
    println!("ratio {:.2}, {each:.0} ns a move", through / straight);
    Ok(())
}

struct Count(u64);

impl std::io::Write for Count {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0 += bytes.len() as u64;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn through_the_border(dialect: &dyn Dialect, moves: u64) -> Result<u64, Box<dyn Error>> {
    let head = ProgramHead {
        name: "bench".into(),
        number: 1,
        remarks: Vec::new(),
        unit: grainway_pipeline::doc::Unit::Mm,
        safe_z: 25.0,
    };
    let mut count = Count(0);
    dialect.write(&head, &mut native(moves), &mut count)?;
    Ok(count.0)
}

fn called_directly(moves: u64) -> Result<u64, Box<dyn Error>> {
    let head = sdk::Head {
        name: "bench".into(),
        number: 1,
        remarks: Vec::new(),
        unit: sdk::Unit::Mm,
        safe_z: 25.0,
    };
    let mut count = 0;
    let mut take = |piece: &[u8]| count += piece.len() as u64;
    let mut out = sdk::Out::given(&mut take);
    let mut items = direct(moves);
    sentences_rust::Sentences
        .write(&head, &mut sdk::Items::given(&mut items), &mut out)
        .map_err(|s| format!("{s:?}"))?;
    out.flush().map_err(|s| format!("{s:?}"))?;
    Ok(count)
}
