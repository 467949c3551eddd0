//! How long a machine takes: each axis speeds up and slows down, and corners are taken no faster than the controller can round
//! them. Length divided by feed would promise a small router half the time it needs.
//!
//! The rules are those of docs/references.md, section Times: a move from rest to rest takes the time of a trapezoid, and a
//! corner between two legs that meet at the angle θ (180° straight on) is passed at v = √(a·δ·s/(1−s)), s = sin(θ/2), where δ is how
//! far the controller may leave the corner. A pass backwards and one forwards over the moves make every speed reachable.

use grainway_geom::{Point3, point};
use grainway_pipeline::doc::Machine;
use grainway_pipeline::motion::Move;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the model knows of a machine. Millimetres and seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Acceleration, mm/s².
    pub acceleration: f64,
    /// How far corners may be rounded, mm.
    pub deviation: f64,
    /// Rapid speed, mm/s.
    pub rapid: f64,
}

impl Drive {
    /// From the shop's figures. A machine without acceleration or rapid speed is refused when documents are read; should one
    /// come through, the least figures that keep every time finite are taken.
    pub fn of(machine: &Machine) -> Drive {
        Drive {
            acceleration: machine.acceleration.mm().max(1.0),
            deviation: machine.corner_deviation.mm().max(0.0),
            rapid: (machine.rapid.mm() / 60.0).max(1.0),
        }
    }
}

/// Seconds of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Seconds {
    /// At feed.
    pub cutting: f64,
    /// In rapid moves.
    pub rapid: f64,
}

impl Seconds {
    /// Both.
    pub fn total(self) -> f64 {
        self.cutting + self.rapid
    }
}

impl std::ops::AddAssign for Seconds {
    fn add_assign(&mut self, o: Seconds) {
        self.cutting += o.cutting;
        self.rapid += o.rapid;
    }
}

impl std::iter::Sum for Seconds {
    fn sum<I: Iterator<Item = Seconds>>(each: I) -> Seconds {
        let mut sum = Seconds::default();
        each.for_each(|s| sum += s);
        sum
    }
}

/// Seconds of a move of `length` mm from rest to rest at most at `speed` mm/s with `acceleration` mm/s².
pub fn rest_to_rest(length: f64, speed: f64, acceleration: f64) -> f64 {
    between(length, 0.0, 0.0, speed, acceleration)
}

/// Speed at which a corner of `angle` radians between its legs (π straight on) may be passed, mm/s; infinite straight on.
pub fn corner_speed(angle: f64, deviation: f64, acceleration: f64) -> f64 {
    let s = (angle / 2.0).sin();
    if 1.0 - s < 1e-9 {
        return f64::INFINITY;
    }
    (acceleration * deviation * s / (1.0 - s)).max(0.0).sqrt()
}

/// Seconds over `length` mm that starts at `from` mm/s, ends at `to` and never exceeds `top`.
fn between(length: f64, from: f64, to: f64, top: f64, acceleration: f64) -> f64 {
    if length <= 0.0 || top <= 0.0 {
        return 0.0;
    }
    let (from, to) = (from.min(top), to.min(top));
    let peak = (acceleration * length + 0.5 * (from * from + to * to)).sqrt();
    if peak <= top {
        return ((peak - from) + (peak - to)) / acceleration;
    }
    let ramps = (2.0 * top * top - from * from - to * to) / (2.0 * acceleration);
    ((top - from) + (top - to)) / acceleration + (length - ramps).max(0.0) / top
}

/// A stretch of one speed limit, with the directions in which it begins and ends.
#[derive(Clone, Copy)]
struct Stretch {
    length: f64,
    top: f64,
    begins: [f64; 3],
    ends: [f64; 3],
    rapid: bool,
    /// The machine stands still before it.
    from_rest: bool,
    /// Which of the moves it belongs to.
    run: usize,
}

/// Adds up the time of a run of moves.
pub struct Clock {
    drive: Drive,
    at: Option<Point3>,
    stretches: Vec<Stretch>,
    rest_next: bool,
    /// Moves run since the time was taken last.
    runs: usize,
}

impl Clock {
    /// A clock that stands; where the cutter is is not known.
    pub fn new(drive: Drive) -> Clock {
        Clock {
            drive,
            at: None,
            stretches: Vec::new(),
            rest_next: true,
            runs: 0,
        }
    }

    /// The machine stops: a pause, a cutter change, the end of a workingstep.
    pub fn stop(&mut self) {
        self.rest_next = true;
    }

    /// Runs a move. The first one only says where the cutter stands.
    pub fn run(&mut self, m: &Move) {
        self.runs += 1;
        let Some(from) = self.at else {
            self.at = Some(m.end(match *m {
                Move::Rapid { to } | Move::Line { to, .. } => to,
                Move::Arc { centre, .. } => centre.at_z(0.0),
                Move::Hole { at, retract, .. } => at.at_z(retract),
            }));
            if let Move::Hole { .. } = m {
                self.hole(m);
            }
            return;
        };
        match *m {
            Move::Rapid { to } => self.straight(from, to, self.drive.rapid, true),
            Move::Line { to, feed } => self.straight(from, to, feed / 60.0, false),
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => self.arc(from, centre, sweep, dz, feed / 60.0),
            Move::Hole { at, retract, .. } => {
                self.straight(from, at.at_z(from.z), self.drive.rapid, true);
                self.stop();
                self.straight(at.at_z(from.z), at.at_z(retract), self.drive.rapid, true);
                self.hole(m);
            }
        }
        self.at = Some(m.end(from));
    }

    fn hole(&mut self, m: &Move) {
        let Move::Hole {
            at,
            retract,
            bottom,
            peck,
            feed,
        } = *m
        else {
            return;
        };
        let depth = (retract - bottom).max(0.0);
        let pecks = peck
            .filter(|p| *p > 0.0)
            .map_or(1, |p| (depth / p).ceil().clamp(1.0, 1000.0) as u32);
        let z = |i: u32| retract - depth * f64::from(i) / f64::from(pecks);
        for i in 0..pecks {
            self.stop();
            self.straight(at.at_z(retract), at.at_z(z(i)), self.drive.rapid, true);
            self.stop();
            self.straight(at.at_z(z(i)), at.at_z(z(i + 1)), feed / 60.0, false);
            self.stop();
            self.straight(at.at_z(z(i + 1)), at.at_z(retract), self.drive.rapid, true);
        }
        self.stop();
    }

    fn straight(&mut self, from: Point3, to: Point3, top: f64, rapid: bool) {
        let d = [to.x - from.x, to.y - from.y, to.z - from.z];
        let length = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
        if length < 1e-9 || !length.is_finite() {
            return;
        }
        let u = d.map(|v| v / length);
        self.push(length, top, u, u, rapid);
    }

    fn arc(&mut self, from: Point3, centre: grainway_geom::Point, sweep: f64, dz: f64, top: f64) {
        let out = from.xy() - centre;
        let radius = out.length();
        let flat = radius * sweep.abs();
        let length = flat.hypot(dz);
        if length < 1e-9 || !length.is_finite() {
            return;
        }
        let along = |radial: grainway_geom::Point| {
            let t = radial.normalized().unwrap_or(point(1.0, 0.0)).left() * sweep.signum();
            [t.x * flat / length, t.y * flat / length, dz / length]
        };
        // On a circle the same acceleration bounds the speed: v² = a·r.
        let top = top.min((self.drive.acceleration * radius).sqrt());
        self.push(length, top, along(out), along(out.rotated(sweep)), false);
    }

    fn push(&mut self, length: f64, top: f64, begins: [f64; 3], ends: [f64; 3], rapid: bool) {
        self.stretches.push(Stretch {
            length,
            top: top.max(1e-3),
            begins,
            ends,
            rapid,
            from_rest: std::mem::take(&mut self.rest_next),
            run: self.runs - 1,
        });
    }

    /// The time of all moves so far; the clock is empty afterwards and keeps the cutter's place.
    pub fn take(&mut self) -> Seconds {
        self.take_each().into_iter().sum()
    }

    /// The time of each move since the last look, in their order; otherwise as [`Clock::take`].
    pub fn take_each(&mut self) -> Vec<Seconds> {
        let stretches = std::mem::take(&mut self.stretches);
        let mut each = vec![Seconds::default(); std::mem::take(&mut self.runs)];
        self.rest_next = true;
        let a = self.drive.acceleration;
        // The speed at each joint between stretches: limited by the corner and by both neighbours' limits.
        let mut joints = vec![0.0; stretches.len() + 1];
        for (i, pair) in stretches.windows(2).enumerate() {
            let [before, after] = pair else { continue };
            // A rapid and a cut never flow into one another: controllers stop between modes.
            if after.from_rest || before.rapid != after.rapid {
                continue;
            }
            let dot: f64 = (0..3).map(|k| before.ends[k] * after.begins[k]).sum();
            let between_legs = std::f64::consts::PI - dot.clamp(-1.0, 1.0).acos();
            joints[i + 1] = corner_speed(between_legs, self.drive.deviation, a)
                .min(before.top)
                .min(after.top);
        }
        for i in (0..stretches.len()).rev() {
            let reachable = (joints[i + 1] * joints[i + 1] + 2.0 * a * stretches[i].length).sqrt();
            joints[i] = f64::min(joints[i], reachable);
        }
        for (i, s) in stretches.iter().enumerate() {
            let reachable = (joints[i] * joints[i] + 2.0 * a * s.length).sqrt();
            joints[i + 1] = f64::min(joints[i + 1], reachable);
            let seconds = between(s.length, joints[i], joints[i + 1], s.top, a);
            if s.rapid {
                each[s.run].rapid += seconds;
            } else {
                each[s.run].cutting += seconds;
            }
        }
        each
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn near(value: f64, wanted: f64, within: f64) {
        assert!((value - wanted).abs() <= within, "{value} is not {wanted}");
    }

    /// Check values: docs/references.md, section Times, "from rest to rest".
    #[test]
    fn trapezoid_from_rest_to_rest() {
        near(rest_to_rest(100.0, 100.0, 500.0), 1.200_000, 1e-9);
        near(rest_to_rest(10.0, 100.0, 500.0), 0.282_843, 5e-7);
        near(rest_to_rest(20.0, 100.0, 500.0), 0.400_000, 1e-9);
    }

    /// Check values: docs/references.md, section Times, "speed through a corner", a 500 mm/s², δ 0.05 mm.
    #[test]
    fn cornering_speeds() {
        for (degrees, wanted) in [
            (60.0_f64, 5.0),
            (90.0, 7.768_870),
            (120.0, 12.712_299),
            (150.0, 26.621_298),
        ] {
            near(
                corner_speed(degrees.to_radians(), 0.05, 500.0),
                wanted,
                5e-7,
            );
        }
        assert!(corner_speed(PI, 0.05, 500.0).is_infinite());
        near(corner_speed(0.0, 0.05, 500.0), 0.0, 1e-12);
    }

    const DRIVE: Drive = Drive {
        acceleration: 500.0,
        deviation: 0.05,
        rapid: 100.0,
    };

    fn line(x: f64, y: f64) -> Move {
        Move::line(point(x, y).at_z(0.0), 6000.0)
    }

    /// A line cut in pieces takes as long as the whole line: pieces meet straight on, so nothing slows down between them.
    #[test]
    fn a_divided_line_is_as_fast_as_the_whole() {
        let mut clock = Clock::new(DRIVE);
        for i in 0..=100 {
            clock.run(&line(f64::from(i), 0.0));
        }
        near(clock.take().cutting, 1.2, 1e-9);
    }

    /// Two legs of 100 mm at a right angle, by hand: each runs from rest to 100 mm/s and down to 7.768870 mm/s at the corner:
    /// t = v/a + (v − c)/a + (L − v²/2a − (v² − c²)/2a)/v.
    #[test]
    fn a_right_angle_slows_down() {
        let mut clock = Clock::new(DRIVE);
        for (x, y) in [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0)] {
            clock.run(&line(x, y));
        }
        let (v, a, c, l) = (100.0, 500.0, 7.768_870_f64, 100.0);
        let leg = v / a + (v - c) / a + (l - v * v / (2.0 * a) - (v * v - c * c) / (2.0 * a)) / v;
        near(clock.take().cutting, 2.0 * leg, 1e-6);
    }

    /// On a circle the speed is at most √(a·r), whatever the feed: r 5 mm, a 500 mm/s²: 50 mm/s.
    #[test]
    fn small_circles_are_slow() {
        let mut clock = Clock::new(DRIVE);
        clock.run(&line(5.0, 0.0));
        clock.run(&Move::Arc {
            centre: point(0.0, 0.0),
            sweep: 2.0 * PI,
            dz: 0.0,
            feed: 6000.0,
        });
        near(
            clock.take().cutting,
            rest_to_rest(10.0 * PI, 50.0, 500.0),
            1e-9,
        );
    }

    /// A short stretch before a sharp corner must be braked for long before: the backward pass.
    #[test]
    fn no_joint_is_faster_than_it_can_be_braked_from() {
        let mut clock = Clock::new(DRIVE);
        for (x, y) in [(0.0, 0.0), (10.0, 0.0), (10.1, 0.0), (10.1, 5.0)] {
            clock.run(&line(x, y));
        }
        let mut whole = Clock::new(DRIVE);
        for (x, y) in [(0.0, 0.0), (10.1, 0.0), (10.1, 5.0)] {
            whole.run(&line(x, y));
        }
        near(clock.take().cutting, whole.take().cutting, 1e-9);
    }
}
