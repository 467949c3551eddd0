//! Where a stopped run can be taken up: at the beginning of workingsteps and, within long ones, of pass levels.
//!
//! Each such place costs the spindle's wait and, at a pass level, a way up and down again, so the next one comes only after some time
//! of cutting. Whoever takes the run up cuts so much again, in the air.

use grainway_geom::Point3;
use grainway_pipeline::doc::Machine;
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::tolerance::SAME_LEVEL_MM;
use grainway_pipeline::work::StepView;

/// The cutter comes down fast to this much over the highest face, mm, and at feed from there.
const CLEAR_MM: f64 = 2.0;

/// Decides, over the steps of one program in running order, where restart lines stand.
#[derive(Clone, Debug)]
pub struct Restarts {
    /// Cutting time between two of them, s, at the programmed feeds.
    every_s: f64,
    /// Pass levels may have one.
    levels: bool,
    /// Cutting time since the last one, s; `None` where the next step must have one.
    since: Option<f64>,
    /// Speed of the last step, rev/min.
    rpm: f64,
}

/// A step with its restart lines.
pub struct Restartable {
    /// It begins with one.
    pub begins: bool,
    /// Its moves, with the ways up and down again before those pass levels that have one.
    pub moves: Vec<Move>,
    /// Indices of the moves before which another one stands. There the cutter is at safe height.
    pub levels: Vec<usize>,
}

impl Restarts {
    /// For programs of this machine; in a language of two heights pass levels have none.
    pub fn of(machine: Option<&Machine>, two_heights: bool) -> Restarts {
        Restarts {
            every_s: machine.map_or(0.0, |m| m.restart_seconds),
            levels: !two_heights,
            since: None,
            rpm: 0.0,
        }
    }

    /// A program begins, or it pauses or changes the cutter: the next step begins with a restart line.
    pub fn interrupted(&mut self) {
        self.since = None;
    }

    /// The next step, with its moves and the highest face of the wood.
    pub fn step(&mut self, step: &StepView<'_>, moves: Vec<Move>, top: f64) -> Restartable {
        let same_speed = step.rpm.total_cmp(&self.rpm).is_eq();
        let begins = self.due() || !same_speed;
        if begins {
            self.since = Some(0.0);
        }
        self.rpm = step.rpm;
        let mut made = Restartable {
            begins,
            moves: Vec::with_capacity(moves.len()),
            levels: Vec::new(),
        };
        let mut way = Way::default();
        for m in moves {
            if self.due() && way.is_up(&m) {
                made.levels.push(made.moves.len());
                self.since = Some(0.0);
            } else if self.levels
                && self.due()
                && let Some(from) = way.level_begins(&m, top)
            {
                made.moves.push(Move::rapid(from.xy().at_z(SAFE_Z)));
                made.levels.push(made.moves.len());
                made.moves.extend([
                    Move::rapid(from.xy().at_z(SAFE_Z)),
                    Move::rapid(from.xy().at_z(top + CLEAR_MM)),
                    Move::line(from, step.plunge),
                ]);
                self.since = Some(0.0);
            }
            let seconds = way.take(&m);
            self.since = self.since.map(|s| s + seconds);
            made.moves.push(m);
        }
        made
    }

    fn due(&self) -> bool {
        self.since.is_none_or(|s| s >= self.every_s)
    }
}

/// Where a step's cutter has come to.
#[derive(Default)]
struct Way {
    at: Option<Point3>,
    /// Lowest since the cutter was at safe height.
    lowest: Option<f64>,
    /// The last move went down.
    falls: bool,
}

impl Way {
    /// The cutter is at safe height and goes on there: nothing is lost by a restart line.
    fn is_up(&self, m: &Move) -> bool {
        let up = |p: &Point3| p.z >= SAFE_Z;
        self.at.as_ref().is_some_and(up) && matches!(m, Move::Rapid { to } if up(to))
    }
    /// Where the cutter stands on the floor of a level, and this move goes down to the next.
    fn level_begins(&self, m: &Move, top: f64) -> Option<Point3> {
        let from = self.at?;
        let lowest = self.lowest?;
        let on_floor = from.z < top && from.z <= lowest + SAME_LEVEL_MM;
        (on_floor && !self.falls && self.down(m)).then_some(from)
    }
    fn down(&self, m: &Move) -> bool {
        let cuts = matches!(m, Move::Line { .. } | Move::Arc { .. });
        cuts && self.at.is_some_and(|p| m.end(p).z < p.z - SAME_LEVEL_MM)
    }
    /// Runs a move; gives its seconds at feed.
    fn take(&mut self, m: &Move) -> f64 {
        self.falls = self.down(m);
        let from = self.at;
        let to = m.end(from.unwrap_or_default());
        self.at = Some(to);
        self.lowest = match to.z >= SAFE_Z {
            true => None,
            false => Some(self.lowest.map_or(to.z, |z| z.min(to.z))),
        };
        let (length, feed) = match (*m, from) {
            (Move::Line { feed, .. }, Some(p)) => {
                (p.xy().distance(to.xy()).hypot(to.z - p.z), feed)
            }
            (
                Move::Arc {
                    centre,
                    sweep,
                    dz,
                    feed,
                },
                Some(p),
            ) => ((p.xy().distance(centre) * sweep).hypot(dz), feed),
            (
                Move::Hole {
                    retract,
                    bottom,
                    feed,
                    ..
                },
                _,
            ) => (retract - bottom, feed),
            _ => return 0.0,
        };
        match length.is_finite() && feed > 0.0 {
            true => 60.0 * length / feed,
            false => 0.0,
        }
    }
}

#[cfg(test)]
#[allow(
    clippy::float_cmp,
    reason = "heights and feeds come back as they were given"
)]
mod tests {
    use super::*;
    use grainway_geom::{Placing, point};
    use grainway_pipeline::work::{BlobId, Operation};

    const TOP: f64 = 22.0;

    fn restarts(every_s: f64) -> Restarts {
        Restarts {
            every_s,
            levels: true,
            since: None,
            rpm: 0.0,
        }
    }

    fn taken(restarts: &mut Restarts, moves: Vec<Move>, rpm: f64) -> Restartable {
        let blob = BlobId(String::new());
        let step = StepView {
            placement: None,
            index: None,
            replaced: false,
            feature: "x",
            operation: Operation::Outline,
            cutter: "mill",
            rpm,
            feed: 600.0,
            plunge: 300.0,
            moves: &blob,
            placing: Placing::default(),
        };
        restarts.step(&step, moves, TOP)
    }

    /// A contour of 600 mm in four levels of 3 mm, each a ramp of two moves and a level rest: 60 s a level at 600 mm/min.
    fn contour() -> Vec<Move> {
        let at = |x: f64, z: f64| point(x, 0.0).at_z(z);
        let mut moves = vec![
            Move::rapid(at(0.0, SAFE_Z)),
            Move::rapid(at(0.0, 24.0)),
            Move::line(at(0.0, TOP), 300.0),
        ];
        for level in 0..4 {
            let z = TOP - 3.0 * f64::from(level);
            moves.push(Move::line(at(30.0, z - 1.5), 600.0));
            moves.push(Move::line(at(60.0, z - 3.0), 600.0));
            moves.push(Move::line(at(300.0, z - 3.0), 600.0));
            moves.push(Move::line(at(0.0, z - 3.0), 600.0));
        }
        moves.push(Move::rapid(at(0.0, SAFE_Z)));
        moves
    }

    #[test]
    fn levels_of_long_steps_have_restart_lines() {
        // All levels but the first, which the step's own line serves; every second one; none.
        for (every, levels) in [(0.0, 3), (100.0, 1), (1000.0, 0)] {
            let made = taken(&mut restarts(every), contour(), 18000.0);
            assert!(made.begins);
            assert_eq!(made.levels.len(), levels, "{every}");
            for i in made.levels {
                let [up, over, fast, down, ramp] = made.moves[i - 1..i + 4] else {
                    panic!("no way down");
                };
                assert_eq!((up, over), (over, up));
                assert!(matches!(over, Move::Rapid { to } if to.z == SAFE_Z && to.x == 0.0));
                assert!(matches!(fast, Move::Rapid { to } if to.z == TOP + 2.0));
                assert!(matches!(down, Move::Line { to, feed } if to.z < TOP && feed == 300.0));
                assert!(matches!(ramp, Move::Line { to, .. } if to.x == 30.0));
            }
            let without: Vec<Move> = made
                .moves
                .iter()
                .copied()
                .filter(|m| contour().contains(m))
                .collect();
            assert!(without.len() >= contour().len());
        }
    }

    #[test]
    fn short_steps_share_a_restart_line() {
        let mut restarts = restarts(100.0);
        let short = || contour()[..7].to_vec();
        let begins = |r: &mut Restarts, rpm| taken(r, short(), rpm).begins;
        // 60 s each: the third comes after 121 s.
        let first: Vec<bool> = (0..4).map(|_| begins(&mut restarts, 18000.0)).collect();
        assert_eq!(first, [true, false, true, false]);
        // Another speed, which the spindle has to come up to, and whatever interrupts the run.
        assert!(begins(&mut restarts, 12000.0));
        assert!(!begins(&mut restarts, 12000.0));
        restarts.interrupted();
        assert!(begins(&mut restarts, 12000.0));
    }

    /// Where the cutter is up anyway, nothing is added.
    #[test]
    fn ways_at_safe_height_are_used() {
        let mut moves = contour();
        moves.push(Move::rapid(point(500.0, 0.0).at_z(SAFE_Z)));
        moves.push(Move::rapid(point(500.0, 0.0).at_z(24.0)));
        let made = taken(&mut restarts(230.0), moves.clone(), 18000.0);
        assert_eq!(made.moves, moves);
        assert_eq!(made.levels, [moves.len() - 2]);
    }
}
