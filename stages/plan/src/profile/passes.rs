//! Depths of the passes of a cut that goes through.

use crate::entry::{PASS_TOLERANCE_MM, equal_passes};

/// A compression cutter's first pass goes this much deeper than its up-cut tip is long, mm, so that no up-cut edge is left at the
/// face. Common practice, no source.
pub const PAST_UP_CUT_MM: f64 = 0.5;

/// What limits the passes, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Depth of one pass at most.
    pub most: f64,
    /// Depth of the last pass at most.
    pub last: f64,
    /// Depth of the first pass at least (compression cutters).
    pub first: Option<f64>,
}

/// Floors of the passes from `top` down to `floor`: equal ones of at most `most`, then a thin last one, which keeps an up-cut
/// from lifting what is almost free. Empty when the floor is not below the top.
pub fn floors(top: f64, floor: f64, limits: &Limits) -> Vec<f64> {
    let mut out = Vec::new();
    if top - floor <= 0.0 {
        return out;
    }
    let mut z = top;
    if let Some(first) = limits.first {
        z = (top - first.max(limits.most)).max(floor);
        out.push(z);
    }
    let last = limits.last.min(limits.most);
    if z - floor > last + PASS_TOLERANCE_MM {
        out.extend(equal_passes(z, floor + last, limits.most));
    }
    if z - floor > 1e-9 {
        out.push(floor);
    }
    out
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "floors come back as they were given")]
mod tests {
    use super::*;

    #[test]
    fn nineteen_at_3_175_are_six_equal_ones() {
        // Calculated: ⌈19 / 3.175⌉ = 6 of 3.166667. The last one is not thinned here.
        let limits = Limits {
            most: 3.175,
            last: 3.175,
            first: None,
        };
        // Thin last passes take the last 3.175 apart; equal ones fill the rest.
        let floors = floors(19.0, 0.0, &limits);
        assert_eq!(floors.len(), 6);
        let equal = equal_passes(19.0, 0.0, 3.175);
        assert_eq!(equal.len(), 6);
        assert!((equal[0] - (19.0 - 3.166_667)).abs() < 1e-6);
    }

    #[test]
    fn the_last_pass_is_thin_and_no_pass_is_too_deep() {
        for (top, floor, most) in [
            (22.1, -0.3, 3.0),
            (0.0, -19.9, 3.175),
            (12.1, -0.3, 3.0),
            (1.0, 0.0, 3.0),
        ] {
            let floors = floors(
                top,
                floor,
                &Limits {
                    most,
                    last: 1.5,
                    first: None,
                },
            );
            let mut z = top;
            for f in &floors {
                assert!(z - f <= most + 1e-9 && z - f > 0.0, "{z} {f}");
                z = *f;
            }
            assert_eq!(z, floor);
            let n = floors.len();
            if n > 1 {
                assert!((floors[n - 2] - floor - 1.5).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn compression_cutters_start_below_their_up_cut_tip() {
        let floors = floors(
            18.0,
            0.0,
            &Limits {
                most: 3.0,
                last: 1.5,
                first: Some(5.0),
            },
        );
        assert_eq!(floors[0], 13.0);
        assert_eq!(floors[floors.len() - 1], 0.0);
    }
}
