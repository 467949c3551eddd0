//! Numbers as whole counts of the last digit, so that what is compared, fitted and printed is the same value.

/// The largest count that is written: ten digits, far beyond any machine's travel.
const LARGEST: f64 = 9_999_999_999.0;

/// `value` in counts of `10^-decimals`; `None` when it is not a number that can be written.
pub fn count(value: f64, decimals: u8) -> Option<i64> {
    let scaled = (value * 10f64.powi(i32::from(decimals))).round();
    (scaled.abs() <= LARGEST).then_some(scaled as i64)
}

/// How a number looks.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// Digits after the point.
    pub decimals: u8,
    /// Zeros at the end are written.
    pub trailing_zeros: bool,
    /// The point is written although nothing follows it.
    pub point_always: bool,
    /// A zero is written before a point that has no other digit before it.
    pub leading_zero: bool,
    /// A number above zero has its sign.
    pub plus_sign: bool,
    /// The point, or what stands for it.
    pub mark: u8,
}

impl Look {
    /// A whole number.
    pub const WHOLE: Look = Look {
        decimals: 0,
        trailing_zeros: false,
        point_always: false,
        leading_zero: true,
        plus_sign: false,
        mark: b'.',
    };
}

/// Appends the count as a decimal number. A count is whole, so there is no "-0" and no exponent.
pub fn push(line: &mut Vec<u8>, count: i64, look: Look) {
    if count < 0 {
        line.push(b'-');
    } else if count > 0 && look.plus_sign {
        line.push(b'+');
    }
    let mut digits = [0u8; 20];
    let mut rest = count.unsigned_abs();
    let mut n = 0;
    while rest > 0 || n <= usize::from(look.decimals) {
        digits[n] = b'0' + (rest % 10) as u8;
        rest /= 10;
        n += 1;
    }
    let decimals = usize::from(look.decimals);
    let bare = !look.leading_zero && count != 0 && n == decimals + 1 && digits[decimals] == b'0';
    if !bare {
        line.extend(digits[decimals..n].iter().rev());
    }
    let fraction = &digits[..decimals];
    // Digits stand in reverse, so zeros at the end of the number are at the front here.
    let cut = if look.trailing_zeros {
        0
    } else {
        fraction.iter().take_while(|d| **d == b'0').count()
    };
    if cut < decimals {
        line.push(look.mark);
        line.extend(fraction[cut..].iter().rev());
    } else if look.point_always {
        line.push(look.mark);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(value: f64, decimals: u8, trailing_zeros: bool, point_always: bool) -> String {
        let mut line = Vec::new();
        let look = Look {
            decimals,
            trailing_zeros,
            point_always,
            ..Look::WHOLE
        };
        push(&mut line, count(value, decimals).unwrap(), look);
        String::from_utf8(line).unwrap()
    }

    #[test]
    fn numbers_look_as_asked() {
        assert_eq!(text(0.0, 3, false, true), "0.");
        assert_eq!(text(-0.0004, 3, false, true), "0.");
        assert_eq!(text(-0.0004, 3, true, true), "0.000");
        assert_eq!(text(-0.0006, 3, false, true), "-0.001");
        assert_eq!(text(12.5, 3, false, true), "12.5");
        assert_eq!(text(12.5, 3, true, true), "12.500");
        assert_eq!(text(-1234.5678, 3, false, true), "-1234.568");
        assert_eq!(text(100.0, 3, false, false), "100");
        assert_eq!(text(1800.0, 1, false, false), "1800");
        assert_eq!(text(18000.0, 0, false, false), "18000");
        assert_eq!(text(7.0, 0, false, true), "7.");
        assert_eq!(text(0.00001, 5, false, true), "0.00001");
    }

    #[test]
    fn zeros_and_signs_as_asked() {
        let text = |value: f64| {
            let mut line = Vec::new();
            let look = Look {
                decimals: 3,
                leading_zero: false,
                plus_sign: true,
                point_always: true,
                ..Look::WHOLE
            };
            push(&mut line, count(value, 3).unwrap(), look);
            String::from_utf8(line).unwrap()
        };
        assert_eq!(text(0.5), "+.5");
        assert_eq!(text(-0.025), "-.025");
        assert_eq!(text(0.0), "0.");
        assert_eq!(text(10.0), "+10.");
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        for v in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e9] {
            assert_eq!(count(v, 3), None, "{v}");
        }
    }
}
