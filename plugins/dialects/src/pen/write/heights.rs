//! What a pen language can do whose words set the heights: any depth, holes, and ramps as stairs of one unit.

use super::{Pen, SAME_MM, Writer};
use grainway_geom::{Point, Point3};
use grainway_pipeline::dialect::DialectError;

/// Between pecks the drill comes back down fast to this far above the last bottom, mm (as `peck-back-off-mm` of other languages).
const BACK_OFF_MM: f64 = 0.254;
/// Instructions of one step of a stair: the height, down to it, along it.
const STEP_INSTRUCTIONS: f64 = 3.0;

impl Writer<'_> {
    /// The language says heights.
    pub(super) fn heights(&self) -> bool {
        self.file.pen.heights.is_some()
    }

    fn units(&mut self, z: f64) -> Result<i64, DialectError> {
        let unit = self.file.pen.unit_mm;
        let units = (z / unit).round();
        if !units.is_finite() || units.abs() > f64::from(self.file.pen.largest) {
            return Err(DialectError::Plan(format!("a height of {z} mm")));
        }
        let off = (z - units * unit).abs();
        self.written.rounding_mm = self.written.rounding_mm.max(off);
        Ok(units as i64)
    }

    /// Goes straight up or down to a height, fast or at a feed. Said again where it is not known that it stands there already.
    fn go_to_height(&mut self, z: f64, pen: Pen) -> Result<(), DialectError> {
        let Some(heights) = &self.file.pen.heights else {
            return Ok(());
        };
        let units = self.units(z)?;
        let (word, told, action) = match pen {
            Pen::Up => (&heights.up, &mut self.high, &self.file.pen.up),
            Pen::Down => (&heights.down, &mut self.low, &self.file.pen.down),
        };
        let again = *told == Some(units);
        *told = Some(units);
        if !again {
            let gap = self.gap();
            self.instruction(&format!("{word}{gap}{units}"))?;
        }
        if !again || self.pen != Some(pen) {
            self.instruction(action)?;
            self.written.moves += 1;
        }
        self.pen = Some(pen);
        self.z = Some(z);
        Ok(())
    }

    /// Fast to a height that is at least this one.
    pub(super) fn rise(&mut self, z: f64) -> Result<(), DialectError> {
        match self.z {
            Some(now) if now >= z - SAME_MM && self.pen == Some(Pen::Up) => Ok(()),
            now => self.go_to_height(now.map_or(z, |now| now.max(z)), Pen::Up),
        }
    }

    /// Upwards before sideways before downwards, and the height first when it is not known.
    pub(super) fn fast_to(&mut self, to: Point3) -> Result<(), DialectError> {
        if self.step_begun {
            // A stopped run can be taken up here, so nothing is taken as known.
            self.step_begun = false;
            self.told = None;
            self.pen = None;
            let safe = self.z.map_or(self.up_z, |z| z.max(self.up_z));
            self.go_to_height(safe, Pen::Up)?;
        }
        self.rise(to.z)?;
        let counts = self.counts(to.xy())?;
        self.at = Some(to.xy());
        if self.told != Some(counts) {
            self.place(&self.file.pen.up.clone(), counts)?;
        }
        match self.z.is_some_and(|z| z > to.z + SAME_MM) {
            true => self.go_to_height(to.z, Pen::Up),
            false => Ok(()),
        }
    }

    /// Straight to a place at a feed. A slanting line becomes a stair whose steps lie half a unit above and below it.
    pub(super) fn straight(
        &mut self,
        from: Point3,
        to: Point3,
        feed: f64,
    ) -> Result<(), DialectError> {
        let (dz, sideways) = (to.z - from.z, from.xy().distance(to.xy()));
        if sideways <= SAME_MM {
            if dz.abs() > SAME_MM {
                self.down_at(feed)?;
            }
            return self.go_to_height(to.z, Pen::Down);
        }
        let unit = self.file.pen.unit_mm;
        let (first, last) = (self.units(from.z)?, self.units(to.z)?);
        let steps = (last - first).abs();
        if steps > 0 {
            self.written.rounding_mm = self.written.rounding_mm.max(0.5 * unit);
        }
        if steps == 0 {
            self.go_to_height(from.z, Pen::Down)?;
            self.cut_to(to.xy(), feed)?;
            self.z = Some(to.z);
            return Ok(());
        }
        let direction = (last - first).signum();
        // No more instructions a second than the controller keeps up with.
        let along = sideways / steps as f64;
        let pace = along * self.file.blocks_per_second / STEP_INSTRUCTIONS * 60.0;
        let least = self.file.pen.speed.as_ref().map_or(0.0, |s| s.step());
        for k in 0..=steps {
            let height = first + direction * k;
            self.down_at((feed * dz.abs() / sideways.hypot(dz)).min(feed))?;
            self.go_to_height(height as f64 * unit, Pen::Down)?;
            // Where the line passes half a unit beyond the step.
            let leaves = (height as f64 + 0.5 * direction as f64) * unit;
            let share = ((leaves - from.z) / dz).clamp(0.0, 1.0);
            let place = if k == steps {
                to.xy()
            } else {
                from.xy().lerp(to.xy(), share)
            };
            self.cut_to(place, feed.min(pace.max(least)))?;
        }
        self.at = Some(to.xy());
        self.z = Some(to.z);
        Ok(())
    }

    /// The feed straight down, never more than planned, but for the least that can be said.
    fn down_at(&mut self, feed: f64) -> Result<(), DialectError> {
        let Some(heights) = &self.file.pen.heights else {
            return Ok(());
        };
        if feed.is_nan() || feed <= 0.0 {
            return Err(DialectError::Plan(format!("a feed of {feed} mm/min")));
        }
        let (speed, told) = match (&heights.feed, &self.file.pen.speed) {
            (Some(speed), _) => (speed, &mut self.plunge),
            (None, Some(speed)) => (speed, &mut self.speed),
            (None, None) => return Ok(()),
        };
        let count = (feed / speed.step() + 1e-9).floor().clamp(1.0, 1e9) as i64;
        if *told != Some(count) {
            *told = Some(count);
            let decimals = usize::from(speed.decimals);
            let value = count as f64 / 10f64.powi(i32::from(speed.decimals));
            let gap = self.gap();
            self.instruction(&format!("{}{gap}{value:.decimals$}", speed.word))?;
        }
        Ok(())
    }

    pub(super) fn hole(
        &mut self,
        at: Point,
        [retract, bottom]: [f64; 2],
        peck: Option<f64>,
        feed: f64,
    ) -> Result<(), DialectError> {
        if bottom >= retract {
            let what = format!("a hole from {retract} mm down to {bottom} mm");
            return Err(DialectError::Plan(what));
        }
        let peck = peck
            .filter(|q| *q < retract - bottom)
            .unwrap_or(retract - bottom);
        if peck.is_nan() || peck < self.file.pen.unit_mm {
            return Err(DialectError::Plan(format!("a peck of {peck} mm")));
        }
        let over = self.z.map_or(retract, |z| z.max(retract));
        let above = if self.step_begun {
            self.up_z.max(retract)
        } else {
            over
        };
        self.fast_to(at.at_z(above))?;
        self.fast_to(at.at_z(retract))?;
        self.down_at(feed)?;
        let mut depth = retract;
        loop {
            depth = (depth - peck).max(bottom);
            self.go_to_height(depth, Pen::Down)?;
            self.go_to_height(retract, Pen::Up)?;
            if depth <= bottom + SAME_MM {
                return Ok(());
            }
            self.go_to_height((depth + BACK_OFF_MM).min(retract), Pen::Up)?;
        }
    }

    /// Starts the spindle or stops it.
    pub(super) fn spin(&mut self, rpm: Option<i64>) -> Result<(), DialectError> {
        let Some(spindle) = &self.file.pen.spindle else {
            return Ok(());
        };
        self.turning = rpm;
        match rpm {
            Some(rpm) if rpm <= 0 => Err(DialectError::Plan(format!("{rpm} rev/min"))),
            Some(rpm) => {
                let gap = self.gap();
                self.instruction(&format!("{}{gap}{rpm}", spindle.word))
            }
            None => self.instruction(&spindle.stop),
        }
    }

    pub(super) fn wait(&mut self, seconds: f64) -> Result<(), DialectError> {
        let Some(wait) = &self.file.pen.wait else {
            return Ok(());
        };
        let count = seconds / wait.unit.seconds();
        let count = match wait.coarse_step() > 0.0 {
            true => (count - 1e-6).ceil(),
            false => count.round(),
        };
        if !(0.0..=1e9).contains(&count) {
            return Err(DialectError::Plan(format!("a wait of {seconds} s")));
        }
        let gap = self.gap();
        self.instruction(&format!("{}{gap}{}", wait.word, count as i64))
    }
}
