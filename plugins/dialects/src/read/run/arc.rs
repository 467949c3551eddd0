//! Arcs by the controller's own rules (NISTIR 6556, 3.5.3).

use super::{ARITHMETIC, Block, Fault, Run, fault};
use crate::file::Centre;
use grainway_geom::{Point, point};
use grainway_pipeline::dialect::{Action, Known};
use std::f64::consts::TAU;

/// Largest difference between an arc's two radii (3.5.3.2), mm.
const ARC_MM: f64 = 0.002;
/// The same while inches are in force, mm.
const ARC_INCH: f64 = 0.0002 * 25.4;
/// An arc may be longer than its dialect's largest sweep by this, mm: its ends were rounded.
const SWEEP_ROUNDING: f64 = 0.02;

impl Run<'_> {
    pub(super) fn arc(
        &mut self,
        b: &Block,
        to: Known,
        counter_clockwise: bool,
    ) -> Result<(), Fault> {
        arc_words(b)?;
        let (start, end) = self.arc_ends(b, to)?;
        let limit = if self.unit > 1.0 { ARC_INCH } else { ARC_MM };
        let centre = self.arc_centre(b, start, end, counter_clockwise, limit)?;
        let (r0, r1) = (start.distance(centre), end.distance(centre));
        if r0 <= ARITHMETIC || r1 <= ARITHMETIC {
            return fault("arc-radius", "an arc of radius 0");
        }
        let radius_mismatch = (r0 - r1).abs();
        if radius_mismatch > limit + ARITHMETIC {
            self.complain(
                "arc-radius",
                format!(
                    "start and end of the arc lie {r0:.4} and {r1:.4} mm from its centre, {radius_mismatch:.4} mm apart; {limit:.4} mm are allowed"
                ),
            );
        }
        let sweep = sweep(start - centre, end - centre, counter_clockwise);
        self.arc_in_dialect(to, sweep, r0);
        if self.file.arcs.as_ref().is_some_and(|a| a.one_quadrant)
            && passes_an_axis(start - centre, sweep)
        {
            self.complain(
                "arc-quadrant",
                "an arc passes a direction of the axes, and the dialect's stay within one quarter of their circle",
            );
        }
        self.ask_before_cut();
        self.tell(
            to,
            Action::Arc {
                centre,
                sweep,
                radius_mismatch,
            },
        );
        Ok(())
    }

    /// Where the arc begins and ends.
    fn arc_ends(&self, b: &Block, to: Known) -> Result<(Point, Point), Fault> {
        let (Some(x0), Some(y0), Some(x1), Some(y1)) = (self.at.x, self.at.y, to.x, to.y) else {
            return fault(
                "unknown-position",
                "an arc although it is not known where the cutter stands",
            );
        };
        if b.has(b'z') && self.at.z.is_none_or(f64::is_infinite) {
            return fault(
                "unknown-position",
                "a helix although it is not known how high the cutter stands",
            );
        }
        Ok((point(x0, y0), point(x1, y1)))
    }

    fn arc_centre(
        &self,
        b: &Block,
        start: Point,
        end: Point,
        counter_clockwise: bool,
        limit: f64,
    ) -> Result<Point, Fault> {
        let word = |letter| b.word(letter).map(|v| v * self.length());
        if let Some(r) = word(b'r') {
            if !self.file.language.radius_arcs {
                return fault("not-in-dialect", "the dialect has no arcs by radius");
            }
            return radius_centre(start, end, r, counter_clockwise, limit);
        }
        let (i, j) = (word(b'i'), word(b'j'));
        Ok(match self.file.arcs.as_ref().map(|a| a.centre) {
            Some(Centre::Absolute) => point(i.unwrap_or(start.x), j.unwrap_or(start.y)),
            _ => start + point(i.unwrap_or_default(), j.unwrap_or_default()),
        })
    }

    /// Tells what of the arc the dialect does not have.
    fn arc_in_dialect(&mut self, to: Known, sweep: f64, radius: f64) {
        let Some(arcs) = &self.file.arcs else {
            return;
        };
        let rises =
            to.z.zip(self.at.z)
                .is_some_and(|(a, b)| (a - b).abs() > ARITHMETIC);
        let (helices, full) = (arcs.helices, arcs.full_circles);
        let over = (sweep.abs() - arcs.largest_sweep.to_radians()) * radius;
        if rises && !helices {
            self.complain("helix", "the dialect has no arcs that change Z");
        }
        if TAU - sweep.abs() <= 0.0 && !full {
            self.complain("full-circle", "the dialect has no full circles in one arc");
        } else if over > SWEEP_ROUNDING {
            self.complain(
                "arc-sweep",
                format!(
                    "an arc of {:.1} degrees is more than the dialect has",
                    sweep.to_degrees().abs()
                ),
            );
        }
    }
}

/// An arc from `from`, seen from its centre, goes on past a direction of the axes.
fn passes_an_axis(from: Point, sweep: f64) -> bool {
    let slack = ARITHMETIC / from.length();
    let quarter = std::f64::consts::FRAC_PI_2;
    let begin = if sweep > 0.0 {
        from.angle()
    } else {
        -from.angle()
    };
    // The first direction of an axis that does not lie at the arc's very beginning.
    let next = ((begin + slack) / quarter).floor() * quarter + quarter;
    next < begin + sweep.abs() - slack
}

/// An arc says its end, and its centre or its radius.
fn arc_words(b: &Block) -> Result<(), Fault> {
    if !b.has(b'x') && !b.has(b'y') {
        return fault("missing-word", "an arc needs X or Y");
    }
    match (b.has(b'r'), b.has(b'i') || b.has(b'j')) {
        (true, true) => fault("arc-format", "an arc by radius and by centre at once"),
        (false, false) => fault(
            "missing-word",
            "an arc needs its centre (I, J) or its radius (R)",
        ),
        _ => Ok(()),
    }
}

/// The centre of an arc by radius: up to half a turn for R > 0, more for R < 0 (3.5.3.1).
fn radius_centre(
    start: Point,
    end: Point,
    r: f64,
    counter_clockwise: bool,
    limit: f64,
) -> Result<Point, Fault> {
    let chord = end - start;
    let half = chord.length() / 2.0;
    if half <= ARITHMETIC {
        return fault(
            "arc-ends-coincide",
            "an arc by radius whose end is its start",
        );
    }
    if half > r.abs() + limit {
        return fault(
            "arc-radius",
            format!(
                "the ends lie {:.4} mm apart, more than twice the radius of {:.4} mm",
                2.0 * half,
                r.abs()
            ),
        );
    }
    let height = (r * r - half * half).max(0.0).sqrt();
    // Seen along the chord the centre of a short counter-clockwise arc lies to the left.
    let left = counter_clockwise == (r > 0.0);
    let normal = chord.left() * (1.0 / (2.0 * half));
    let side = if left { height } else { -height };
    Ok(start.lerp(end, 0.5) + normal * side)
}

/// The signed turn from one direction to another; a full turn when they are the same.
fn sweep(from: Point, to: Point, counter_clockwise: bool) -> f64 {
    let (a, b) = (from.angle(), to.angle());
    let mut d = if counter_clockwise { b - a } else { a - b };
    if d <= 0.0 {
        d += TAU;
    }
    if d <= 0.0 {
        d += TAU;
    }
    if counter_clockwise { d } else { -d }
}
