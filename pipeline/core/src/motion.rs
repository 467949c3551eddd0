//! Motions: what a machine is to do, before any controller's language.
//!
//! XY lies in the frame of whatever holds the moves: a variant's own frame in a workingstep, the board's in a program. Z is always
//! the machine's own, as the setup's zero has it: heights above the bed, or heights relative to the top of the wood.

use grainway_geom::{Point, Point3, point};
use serde::{Deserialize, Serialize};

/// Stands in a variant's moves for the safe height, which is known only once the setup's holds are. Sequencing replaces it.
pub const SAFE_Z: f64 = f64::INFINITY;

/// One movement of the cutter. Feeds are of the cutter's centre, mm/min.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Move {
    /// At the machine's own speed, in air. Only one of (XY, Z) changes in moves that this project plans.
    Rapid {
        /// Where to.
        to: Point3,
    },
    /// Straight, cutting.
    Line {
        /// Where to.
        to: Point3,
        /// mm/min along the path.
        feed: f64,
    },
    /// About a vertical axis, from where the cutter stands; a helix when `dz` is not 0.
    Arc {
        /// The axis.
        centre: Point,
        /// Radians, signed: counter-clockwise from above is positive. Full circles and more turns stay unambiguous.
        sweep: f64,
        /// How much higher it ends, mm.
        dz: f64,
        /// mm/min along the path (along the helix).
        feed: f64,
    },
    /// A drilled hole: rapid to `at` at the present height, rapid to `retract`, feed to `bottom` (in pecks), out to `retract`.
    Hole {
        /// Axis of the hole.
        at: Point,
        /// Height to come down to fast and to leave to, mm.
        retract: f64,
        /// Depth of the drill's tip, mm.
        bottom: f64,
        /// Depth of one peck, mm; `None` drills in one go.
        peck: Option<f64>,
        /// mm/min downwards.
        feed: f64,
    },
}

/// The lowest Z of these moves, of a drilled hole that of the drill's tip; infinite where there is none.
pub fn lowest(moves: &[Move]) -> f64 {
    let mut at = Point3::default().xy().at_z(SAFE_Z);
    let mut low = f64::INFINITY;
    for m in moves {
        at = m.end(at);
        low = low.min(match *m {
            Move::Hole { bottom, .. } => bottom,
            _ => at.z,
        });
    }
    low
}

/// The greatest feed of the moves that cut sideways, and of those straight down, mm/min; either stands for the other where there is
/// none.
pub fn feeds(moves: &[Move]) -> [f64; 2] {
    let mut at = Point3::default().xy().at_z(SAFE_Z);
    let (mut along, mut down) = (0.0_f64, 0.0_f64);
    for m in moves {
        let from = at;
        at = m.end(from);
        match *m {
            Move::Rapid { .. } => {}
            Move::Hole { feed, .. } => down = down.max(feed),
            Move::Arc { feed, .. } => along = along.max(feed),
            Move::Line { feed, .. } if from.xy().distance(at.xy()) > 0.0 => along = along.max(feed),
            Move::Line { feed, .. } if at.z < from.z => down = down.max(feed),
            Move::Line { .. } => {}
        }
    }
    match (along > 0.0, down > 0.0) {
        (false, _) => [down; 2],
        (_, false) => [along; 2],
        _ => [along, down],
    }
}

impl Move {
    /// Straight to a place, as fast as the machine goes.
    pub fn rapid(to: Point3) -> Move {
        Move::Rapid { to }
    }
    /// Straight to a place at a feed, mm/min.
    pub fn line(to: Point3, feed: f64) -> Move {
        Move::Line { to, feed }
    }
    /// Where the cutter stands after the move, coming from `from`.
    pub fn end(&self, from: Point3) -> Point3 {
        match *self {
            Move::Rapid { to } | Move::Line { to, .. } => to,
            Move::Arc {
                centre, sweep, dz, ..
            } => (centre + (from.xy() - centre).rotated(sweep)).at_z(from.z + dz),
            Move::Hole { at, retract, .. } => at.at_z(retract),
        }
    }
    /// Seen from outside a thing that is placed by `placing`, with [`SAFE_Z`] replaced by `safe_z`.
    pub fn placed(&self, placing: &grainway_geom::Placing, safe_z: f64) -> Move {
        let z = |z: f64| if z == SAFE_Z { safe_z } else { z };
        let p3 = |p: Point3| placing.point(p.xy()).at_z(z(p.z));
        match *self {
            Move::Rapid { to } => Move::rapid(p3(to)),
            Move::Line { to, feed } => Move::line(p3(to), feed),
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => Move::Arc {
                centre: placing.point(centre),
                sweep,
                dz,
                feed,
            },
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => Move::Hole {
                at: placing.point(at),
                retract: z(retract),
                bottom,
                peck,
                feed,
            },
        }
    }
    /// All its numbers are finite; [`SAFE_Z`] counts as finite.
    pub fn is_finite(&self) -> bool {
        let ok =
            |p: Point3| p.x.is_finite() && p.y.is_finite() && (p.z.is_finite() || p.z == SAFE_Z);
        match *self {
            Move::Rapid { to } => ok(to),
            Move::Line { to, feed } => ok(to) && feed.is_finite(),
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => centre.is_finite() && sweep.is_finite() && dz.is_finite() && feed.is_finite(),
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => {
                ok(at.at_z(retract))
                    && bottom.is_finite()
                    && feed.is_finite()
                    && peck.is_none_or(f64::is_finite)
            }
        }
    }
}

/// Numbers per move in a column block, see [`encode`].
const WIDTH: usize = 7;

/// Moves as plain f64 columns, the form in which blobs keep them: `[kind, x, y, z, a, b, feed]` each.
pub fn encode(moves: &[Move]) -> Vec<f64> {
    let mut out = Vec::with_capacity(moves.len() * WIDTH);
    for m in moves {
        out.extend_from_slice(&match *m {
            Move::Rapid { to } => [0.0, to.x, to.y, to.z, 0.0, 0.0, 0.0],
            Move::Line { to, feed } => [1.0, to.x, to.y, to.z, 0.0, 0.0, feed],
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => [2.0, centre.x, centre.y, dz, sweep, 0.0, feed],
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => [3.0, at.x, at.y, retract, bottom, peck.unwrap_or(0.0), feed],
        });
    }
    out
}

/// The moves in a column block; `None` when the block is not one.
pub fn decode(columns: &[f64]) -> Option<Vec<Move>> {
    if !columns.len().is_multiple_of(WIDTH) {
        return None;
    }
    columns
        .chunks_exact(WIDTH)
        .map(|c| {
            let (x, y, z, a, b, feed) = (c[1], c[2], c[3], c[4], c[5], c[6]);
            Some(match c[0] as i64 {
                0 => Move::rapid(point(x, y).at_z(z)),
                1 => Move::line(point(x, y).at_z(z), feed),
                2 => Move::Arc {
                    centre: point(x, y),
                    sweep: a,
                    dz: z,
                    feed,
                },
                3 => Move::Hole {
                    at: point(x, y),
                    retract: z,
                    bottom: a,
                    peck: (b > 0.0).then_some(b),
                    feed,
                },
                _ => return None,
            })
        })
        .collect()
}

/// A spindle's state.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spindle {
    /// rev/min.
    pub rpm: f64,
    /// Seen from above.
    pub clockwise: bool,
}

/// What the cutter is and how it comes into the spindle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CutterChange {
    /// Number by which the controller knows it.
    pub number: u32,
    /// The shop's id of the cutter.
    pub id: String,
    /// One line for people: "6 mm end mill, up-cut".
    pub label: String,
    /// Changed by a hand at a pause, not by the machine.
    pub by_hand: bool,
}

/// The start of a workingstep in a program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepStart {
    /// 1, 2, 3 … in running order of the setup.
    pub number: u32,
    /// For people and for findings: which part and feature.
    pub label: String,
}

/// What a program's text is made of, in order. Dialects see these and nothing else.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// A workingstep begins. The writer restates modes, feed mode, spindle; the first move after it goes to safe height.
    Step(StepStart),
    /// Another cutter. The cutter is at safe height; the writer stops the spindle.
    Cutter(CutterChange),
    /// The spindle turns or, `None`, stops.
    Spindle(Option<Spindle>),
    /// The machine waits for the person. The plan has retracted, stopped the spindle and parked before it.
    Pause {
        /// What the person is to do, one line.
        message: String,
    },
    /// Wait, spindle as it is.
    Dwell {
        /// Seconds.
        seconds: f64,
    },
    /// A remark in the text.
    Label(String),
    /// Go as high as the machine goes (where the language can say it), else to the setup's safe height. Makes Z known.
    RetractFull {
        /// The setup's safe height, mm, for languages that cannot say "machine top".
        safe_z: f64,
    },
    /// Move.
    Move(Move),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_round_trip() {
        let moves = [
            Move::rapid(point(1.0, 2.0).at_z(SAFE_Z)),
            Move::line(point(0.1, 0.2).at_z(-3.0), 1800.0),
            Move::Arc {
                centre: point(5.0, 5.0),
                sweep: -7.0,
                dz: -1.0,
                feed: 900.0,
            },
            Move::Hole {
                at: point(3.0, 3.0),
                retract: 2.0,
                bottom: -9.0,
                peck: Some(3.0),
                feed: 300.0,
            },
            Move::Hole {
                at: point(3.0, 3.0),
                retract: 2.0,
                bottom: -9.0,
                peck: None,
                feed: 300.0,
            },
        ];
        assert_eq!(decode(&encode(&moves)).unwrap(), moves);
        assert!(decode(&[0.0; 6]).is_none());
        assert!(decode(&[9.0; 7]).is_none());
    }
}
