//! Arcs in the plan's terms: divided into pieces that the dialect has, fitted to their rounded ends, or written as lines.

use super::{Middle, Motion, Words, Writer, arc, number};
use crate::file::Centre;
use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::DialectError;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// An arc that cannot be fitted is halved at most this often, then it becomes lines.
const HALVINGS: u32 = 8;

/// An arc of at most a full turn.
#[derive(Clone, Copy)]
struct Piece {
    from: Point3,
    to: Point3,
    centre: Point,
    sweep: f64,
}

/// No arc's block has more characters than this: a word of motion, and six numbers of ten digits with letter, sign, point and space.
const LONGEST_ARC: usize = 90;

/// Shares of an arc that are the same, and shares of nothing.
const SAME_SHARE: f64 = 1e-9;

/// The shares of an arc of `sweep` from the direction `start` at which it passes a direction of the axes.
fn quadrants(start: f64, sweep: f64) -> Vec<f64> {
    let step = sweep.signum() * FRAC_PI_2;
    let first = match sweep > 0.0 {
        true => (start / FRAC_PI_2).ceil() * FRAC_PI_2,
        false => (start / FRAC_PI_2).floor() * FRAC_PI_2,
    };
    let shares = (0..).map(|k| (first + step * f64::from(k) - start) / sweep);
    shares
        .skip_while(|s| *s < SAME_SHARE)
        .take_while(|s| *s < 1.0 - SAME_SHARE)
        .collect()
}

impl Piece {
    /// The signs of the direction from the centre to the middle of the piece.
    fn quadrant(self) -> [i64; 2] {
        let middle = (self.from.xy() - self.centre).rotated(self.sweep / 2.0);
        [middle.x, middle.y].map(|v| if v < 0.0 { -1 } else { 1 })
    }

    fn halves(self) -> [Piece; 2] {
        let turned = (self.from.xy() - self.centre).rotated(self.sweep / 2.0);
        let middle = (self.centre + turned).at_z((self.from.z + self.to.z) / 2.0);
        let sweep = self.sweep / 2.0;
        [
            Piece {
                to: middle,
                sweep,
                ..self
            },
            Piece {
                from: middle,
                sweep,
                ..self
            },
        ]
    }
}

/// What a controller will see of an arc.
struct Seen {
    /// The centre from the rounded start, counts.
    fitted: arc::Fitted,
    /// The radius that is written, counts, where the dialect says it so.
    radius: i64,
    /// How far the arc lies beside the planned one, mm.
    off: f64,
}

impl Writer<'_> {
    pub(super) fn arc(
        &mut self,
        from: Point3,
        centre: Point,
        sweep: f64,
        dz: f64,
        feed: i64,
    ) -> Result<(), DialectError> {
        let radius = from.xy().distance(centre);
        let size = sweep.abs();
        let rises = self.axis_count(from.z)? != self.axis_count(from.z + dz)?;
        let arcs = self.file.arcs.as_ref();
        let usable = arcs.filter(|a| {
            (a.helices || !rises) && a.largest_radius_mm.is_none_or(|most| radius <= most)
        });
        let Some(arcs) = usable else {
            return self.chords(from, centre, sweep, dz, feed);
        };
        let largest = arcs.largest_sweep.to_radians().min(TAU);
        // Sweeps that differ from a whole number of the largest only by rounding of the plan's own arithmetic are that number.
        let mut pieces = ((size - 1e-9) / largest).ceil().max(1.0);
        if !arcs.full_circles && size > TAU - 0.1 {
            pieces = pieces.max(2.0);
        }
        if pieces > 1e6 {
            return Err(DialectError::Plan(format!("an arc of {sweep} radians")));
        }
        // Shares of the arc at which its pieces end.
        let mut ends: Vec<f64> = (1..=pieces as u32).map(|k| f64::from(k) / pieces).collect();
        if arcs.one_quadrant {
            ends.extend(quadrants((from.xy() - centre).angle(), sweep));
            ends.sort_by(f64::total_cmp);
            ends.dedup_by(|a, b| *a - *b < SAME_SHARE);
        }
        let share = |k: f64| {
            let turned = (from.xy() - centre).rotated(sweep * k);
            (centre + turned).at_z(from.z + dz * k)
        };
        let mut begin = 0.0;
        for end in ends {
            let piece = Piece {
                from: share(begin),
                to: share(end),
                centre,
                sweep: match arcs.one_quadrant {
                    true => sweep * (end - begin),
                    false => sweep / pieces,
                },
            };
            begin = end;
            self.piece(piece, feed, 0)?;
        }
        Ok(())
    }

    /// One piece, halved where it cannot be fitted.
    fn piece(&mut self, piece: Piece, feed: i64, halvings: u32) -> Result<(), DialectError> {
        let radius = piece.from.xy().distance(piece.centre) * self.per_mm;
        let arcs = self.file.arcs.as_ref();
        let shortest = arcs.map_or(0.0, |a| a.shortest_mm) * self.per_mm;
        let length = radius * piece.sweep.abs();
        if radius < arc::SHORTEST || length < arc::SHORTEST.max(shortest) {
            // A line is as good while it stays within a count of the arc; a tiny circle becomes a few lines.
            let sagitta = radius * (1.0 - (piece.sweep / 2.0).cos());
            return match sagitta <= 1.0 {
                true => self.line_to(piece.to, feed),
                false => self.halved(piece, feed, halvings),
            };
        }
        let counts = self.counts(piece.to)?;
        let start = self.stands_at();
        let end = [counts[0], counts[1]];
        if start == end && piece.sweep.abs() < PI {
            // A hair of an arc that vanished is a line, if anything.
            return self.line_to(piece.to, feed);
        }
        if !self.arc_fits(piece, counts) {
            let (turn, rise) = (piece.sweep, piece.to.z - piece.from.z);
            return self.chords(piece.from, piece.centre, turn, rise, feed);
        }
        match self.seen(piece, start, end) {
            Some(seen) => self.fitted_block(piece, counts, &seen, feed),
            None => self.halved(piece, feed, halvings),
        }
    }

    /// The arc's block fits into a line once its feed is taken out.
    fn arc_fits(&self, piece: Piece, counts: [i64; 3]) -> bool {
        if self.fits(LONGEST_ARC) {
            return true;
        }
        let centre = piece.centre * self.per_mm;
        let start = self.stands_at();
        let from = match self.file.arcs.as_ref().map(|a| a.centre) {
            Some(Centre::Absolute) => [0; 2],
            _ => start,
        };
        let middle = [centre.x - from[0] as f64, centre.y - from[1] as f64];
        let mut text = Vec::with_capacity(64);
        // A count more or less may need all the digits.
        let full = number::Look {
            trailing_zeros: true,
            ..self.look
        };
        let mut words = 1;
        // One count more than it is, since the centre may be shifted to fit.
        let middle = middle.map(|v| v.round() as i64 + v.signum() as i64);
        let (i, j) = match self.file.arcs.as_ref().map(|a| a.centre) {
            Some(Centre::Radius) => {
                let radius = piece.from.xy().distance(piece.centre) * self.per_mm;
                (Some(radius.ceil() as i64 + 1), None)
            }
            _ => (Some(middle[0]), Some(middle[1])),
        };
        let z = (self.told[2] != Some(counts[2]) || self.says_axes()).then_some(counts[2]);
        for count in [Some(counts[0]), Some(counts[1]), z, i, j]
            .into_iter()
            .flatten()
        {
            number::push(&mut text, count, full);
            words += 1;
        }
        let motion = &self.file.motion;
        let word = motion.clockwise.len().max(motion.counter_clockwise.len());
        // Each word has its letter and what separates it.
        self.fits(text.len() + word + 2 * words - 1)
    }

    fn halved(&mut self, piece: Piece, feed: i64, halvings: u32) -> Result<(), DialectError> {
        if halvings >= HALVINGS {
            return self.line_to(piece.to, feed);
        }
        let [first, second] = piece.halves();
        self.piece(first, feed, halvings + 1)?;
        self.piece(second, feed, halvings + 1)
    }

    /// Where the controller has the cutter, counts.
    fn stands_at(&self) -> [i64; 2] {
        [
            self.told[0].unwrap_or_default(),
            self.told[1].unwrap_or_default(),
        ]
    }

    /// The arc that a controller will see between the rounded ends; none that is like the planned one.
    fn seen(&self, piece: Piece, start: [i64; 2], end: [i64; 2]) -> Option<Seen> {
        let arcs = self.file.arcs.as_ref();
        let centre = piece.centre * self.per_mm;
        if start != end && arcs.is_some_and(|a| a.centre == Centre::Radius) {
            // A centre found from a radius may slide along with a short chord's rounding and the arc stay where it is.
            let (radius, fitted, off) = arc::fit_radius(start, end, centre, piece.sweep)?;
            return Some(Seen {
                fitted,
                radius,
                off: off / self.per_mm,
            });
        }
        let fitted = match start == end {
            // Nearly a full turn and shown as one.
            true => arcs.filter(|a| a.full_circles).map(|_| arc::Fitted {
                i: (centre.x - start[0] as f64).round() as i64,
                j: (centre.y - start[1] as f64).round() as i64,
            }),
            false => {
                let quadrant = arcs.filter(|a| a.one_quadrant).map(|_| piece.quadrant());
                arc::fit(start, end, centre, piece.sweep, self.arc_limit, quadrant)
            }
        }?;
        let written = point(
            (start[0] + fitted.i) as f64 / self.per_mm,
            (start[1] + fitted.j) as f64 / self.per_mm,
        );
        Some(Seen {
            fitted,
            radius: 0,
            off: written.distance(piece.centre),
        })
    }

    fn fitted_block(
        &mut self,
        piece: Piece,
        counts: [i64; 3],
        seen: &Seen,
        feed: i64,
    ) -> Result<(), DialectError> {
        self.note_rounding(piece.to, counts);
        self.written.rounding_mm = self.written.rounding_mm.max(seen.off);
        let start = self.stands_at();
        let fitted = seen.fitted;
        let rises = self.told[2] != Some(counts[2]);
        let words = Words {
            motion: Some(match piece.sweep > 0.0 {
                true => Motion::CounterClockwise,
                false => Motion::Clockwise,
            }),
            axes: [
                Some(counts[0]),
                Some(counts[1]),
                (rises || self.says_axes()).then_some(counts[2]),
            ],
            centre: Some(match self.file.arcs.as_ref().map(|a| a.centre) {
                Some(Centre::Absolute) => Middle::At([start[0] + fitted.i, start[1] + fitted.j]),
                Some(Centre::Radius) => Middle::Radius(seen.radius),
                _ => Middle::At([fitted.i, fitted.j]),
            }),
            feed: Some(feed),
        };
        self.stand(piece.to, counts);
        self.move_block(words)
    }

    /// An arc that the dialect cannot write, as chords within the dialect's tolerance.
    fn chords(
        &mut self,
        from: Point3,
        centre: Point,
        sweep: f64,
        dz: f64,
        feed: i64,
    ) -> Result<(), DialectError> {
        let radius = from.xy().distance(centre);
        let tolerance = self.file.chord_tolerance_mm;
        // e = R (1 − cos(Δ/2)), solved for Δ.
        let step = if radius > tolerance {
            2.0 * (1.0 - tolerance / radius).acos()
        } else {
            PI
        };
        let n = (sweep.abs() / step).ceil().max(1.0);
        if n > 1e7 {
            return Err(DialectError::Plan(format!("an arc of {sweep} radians")));
        }
        let sagitta = radius * (1.0 - (sweep / n / 2.0).cos());
        self.written.rounding_mm = self.written.rounding_mm.max(sagitta);
        for k in 1..=n as u64 {
            let t = k as f64 / n;
            let p = centre + (from.xy() - centre).rotated(sweep * t);
            self.line_to(p.at_z(from.z + dz * t), feed)?;
        }
        Ok(())
    }
}
