//! One number from the front of a text, correctly rounded.

/// Character between the whole part and the fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DecimalMark {
    Point,
    Comma,
}

impl DecimalMark {
    pub(crate) fn other(self) -> Self {
        match self {
            Self::Point => Self::Comma,
            Self::Comma => Self::Point,
        }
    }

    pub(crate) fn byte(self) -> u8 {
        match self {
            Self::Point => b'.',
            Self::Comma => b',',
        }
    }
}

const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// Reads a decimal number from the front of `text`; gives its value and the bytes used.
///
/// Short numbers take the exact path of `[Clinger1990]`: digits below 2^53 and a power of ten up to 22 are both exact in
/// binary, so one division rounds correctly. Everything longer goes to `fast_float2`. `None` when the text does not start
/// with a digit, a sign or the decimal mark, also for `nan` and `inf`, which the caller counts.
#[inline]
pub(crate) fn leading_number(text: &[u8], mark: u8) -> Option<(f64, usize)> {
    let negative = text.first() == Some(&b'-');
    let start = usize::from(negative || text.first() == Some(&b'+'));
    let mut i = start;
    let mut digits: u64 = 0;
    while let Some(d) = text.get(i).map(|b| b.wrapping_sub(b'0')).filter(|&d| d < 10) {
        // Wraps for numbers of 20 digits and more, which `long_number` reads again.
        digits = digits.wrapping_mul(10).wrapping_add(u64::from(d));
        i += 1;
    }
    let whole = i - start;
    let mut decimals = 0;
    if text.get(i) == Some(&mark) {
        let first = i + 1;
        i = first;
        while let Some(d) = text.get(i).map(|b| b.wrapping_sub(b'0')).filter(|&d| d < 10) {
            digits = digits.wrapping_mul(10).wrapping_add(u64::from(d));
            i += 1;
        }
        decimals = i - first;
    }
    if whole + decimals == 0 {
        return None;
    }
    let exponent_follows = matches!(text.get(i), Some(b'e' | b'E'));
    if whole + decimals > 19 || digits > 1 << 53 || decimals > 22 || exponent_follows {
        return long_number(text, start, negative, mark);
    }
    let value = digits as f64 / POWERS[decimals];
    Some((if negative { -value } else { value }, i))
}

/// The general case: more digits than fit, or an exponent.
#[cold]
fn long_number(text: &[u8], start: usize, negative: bool, mark: u8) -> Option<(f64, usize)> {
    let body = &text[start..];
    let end = body
        .iter()
        .position(|&b| !(b.is_ascii_digit() || b == mark || matches!(b, b'e' | b'E' | b'+' | b'-')))
        .unwrap_or(body.len());
    let body = &body[..end];
    let (value, used): (f64, usize) = if mark == b'.' {
        fast_float2::parse_partial(body).ok()?
    } else {
        let with_point: Vec<u8> = body.iter().map(|&b| if b == mark { b'.' } else { b }).collect();
        fast_float2::parse_partial(&with_point[..]).ok()?
    };
    // Beyond the range of f64 is no number but an infinity, which the caller counts.
    value.is_finite().then_some((if negative { -value } else { value }, start + used))
}

/// IEEE 754 binary16: one sign, five exponent and ten fraction bits.
pub(crate) fn half(bits: u16) -> f64 {
    let sign = if bits & 0x8000 == 0 { 1.0 } else { -1.0 };
    let (exponent, fraction) = (i32::from((bits >> 10) & 0x1F), f64::from(bits & 0x3FF));
    sign * match (exponent, fraction) {
        (0, f) => f * 2_f64.powi(-24),
        (31, 0.0) => f64::INFINITY,
        (31, _) => f64::NAN,
        (e, f) => (1.0 + f / 1024.0) * 2_f64.powi(e - 15),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_the_front_and_says_where_it_stopped() {
        for (text, value, used) in [
            ("12.5,7", 12.5, 4),
            ("-0.001\n", -0.001, 6),
            ("+3;", 3.0, 2),
            (".5,", 0.5, 2),
            ("5.,", 5.0, 2),
            ("1e3,", 1000.0, 3),
            ("1.7976931348623157e308", f64::MAX, 22),
            ("123456789012345678901234567890", 123_456_789_012_345_678_901_234_567_890.0, 30),
            ("0.00000000000000000000000000001", 1e-29, 31),
            ("9007199254740993", 9_007_199_254_740_993_u64 as f64, 16),
            ("7abc", 7.0, 1),
        ] {
            assert_eq!(leading_number(text.as_bytes(), b'.'), Some((value, used)), "{text}");
        }
        assert_eq!(leading_number(b"-12,25;", b','), Some((-12.25, 6)));
        assert_eq!(leading_number(b"1,5e-3;", b','), Some((0.0015, 6)));
        for none in ["", "-", ".", "x", "nan", "inf", "-inf", ",5", " 1"] {
            assert_eq!(leading_number(none.as_bytes(), b'.'), None, "{none}");
        }
    }

    /// IEEE 754-2008 table 3.5, binary16: largest, smallest normal and smallest subnormal number.
    #[test]
    fn half_floats_follow_the_standard() {
        for (bits, value) in
            [(0x7BFF, 65504.0), (0x0400, 2_f64.powi(-14)), (0x0001, 2_f64.powi(-24)), (0xC000, -2.0)]
        {
            assert_eq!(half(bits), value);
        }
        assert!(half(0x7C00).is_infinite() && half(0x7E00).is_nan());
    }

    proptest! {
        /// The standard library rounds correctly; so must we, to the last bit, whatever the spelling.
        #[test]
        fn agrees_with_the_standard_library(x in proptest::num::f64::NORMAL | proptest::num::f64::ZERO, digits in 0_usize..25) {
            for text in [format!("{x}"), format!("{x:e}"), format!("{x:.digits$}")] {
                let expected: f64 = text.parse().unwrap();
                let (value, used) = leading_number(text.as_bytes(), b'.').unwrap();
                prop_assert_eq!(value.to_bits(), expected.to_bits());
                prop_assert_eq!(used, text.len());
                let comma = text.replace('.', ",");
                prop_assert_eq!(leading_number(comma.as_bytes(), b','), Some((expected, text.len())));
            }
        }

        #[test]
        fn never_reads_past_its_text(text in proptest::collection::vec(any::<u8>(), 0..40)) {
            for mark in [b'.', b','] {
                if let Some((_, used)) = leading_number(&text, mark) {
                    prop_assert!(used <= text.len());
                }
            }
        }
    }
}
