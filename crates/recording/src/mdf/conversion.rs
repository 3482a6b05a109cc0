//! From the numbers in a record to numbers with a unit: the ##CC block `[ASAM-MDF4]`.

use super::blocks::{Block, File, Result, damage};

/// A rule from raw to physical values.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Rule {
    Identity,
    /// `offset + factor · x`
    Linear {
        offset: f64,
        factor: f64,
    },
    /// `(p0 x² + p1 x + p2) / (p3 x² + p4 x + p5)`
    Rational([f64; 6]),
    /// Keys and values, in between on a straight line, outside the nearest.
    Interpolated(Vec<(f64, f64)>),
    /// Keys and values, the nearest key.
    Nearest(Vec<(f64, f64)>),
    /// From, to and value, else the default.
    Ranges {
        ranges: Vec<(f64, f64, f64)>,
        otherwise: f64,
        whole_numbers: bool,
    },
    /// Some values have a text and stay as they are, some a rule of their own, the rest another.
    States {
        states: Vec<(f64, f64, Rule)>,
        otherwise: Box<Rule>,
        whole_numbers: bool,
    },
    /// Gives no number.
    NoNumber(&'static str),
}

/// Conversions may refer to others; deeper than this is a loop.
const DEEPEST: usize = 4;

/// The rule and the unit of a conversion block; `whole_numbers` when the raw values are integers.
pub(crate) fn read(file: &File, at: u64, whole_numbers: bool) -> Result<(Rule, String)> {
    if at == 0 {
        return Ok((Rule::Identity, String::new()));
    }
    let block = file.block(at, b"CC")?;
    Ok((rule(file, &block, whole_numbers, 0)?, file.text(block.link(1))?))
}

fn rule(file: &File, block: &Block, whole_numbers: bool, depth: usize) -> Result<Rule> {
    let kind = block.u8(0)?;
    let refs = usize::from(block.u16(4)?);
    let values = usize::from(block.u16(6)?);
    let values: Vec<f64> = (0..values).map(|i| block.f64(24 + 8 * i)).collect::<Result<_>>()?;
    let pairs = || values.chunks_exact(2).map(|p| (p[0], p[1])).collect::<Vec<_>>();
    // Tables are sorted by their keys; a table that is not cannot be searched.
    let sorted = |pairs: Vec<(f64, f64)>| {
        if pairs.is_empty() || pairs.windows(2).any(|w| w[0].0 > w[1].0) || pairs.iter().any(|p| p.0.is_nan())
        {
            return damage(format!("the table of ##CC at byte {} is empty or not sorted", block.header.at));
        }
        Ok(pairs)
    };
    Ok(match (kind, &values[..]) {
        (0, _) => Rule::Identity,
        (1, &[offset, factor, ..]) => Rule::Linear { offset, factor },
        (2, &[a, b, c, d, e, f, ..]) => Rule::Rational([a, b, c, d, e, f]),
        (3, _) => Rule::NoNumber("its conversion is a formula, which is not read"),
        (4, _) => Rule::Interpolated(sorted(pairs())?),
        (5, _) => Rule::Nearest(sorted(pairs())?),
        (6, v) => {
            let ranges = v.chunks_exact(3).map(|t| (t[0], t[1], t[2])).collect();
            let otherwise = if v.len() % 3 == 1 { v[v.len() - 1] } else { f64::NAN };
            Rule::Ranges { ranges, otherwise, whole_numbers }
        }
        (7 | 8, v) => {
            let keys: Vec<(f64, f64)> = match kind {
                7 => v.iter().map(|&k| (k, k)).collect(),
                _ => v.chunks_exact(2).map(|p| (p[0], p[1])).collect(),
            };
            let reference = |n: usize| match block.link(4 + n) {
                0 => Ok(Rule::Identity),
                at if file.header(at)?.id == *b"CC" && depth < DEEPEST => {
                    rule(file, &file.block(at, b"CC")?, whole_numbers, depth + 1)
                }
                _ => Ok(Rule::Identity),
            };
            let states = keys.iter().enumerate().map(|(n, &(a, b))| Ok((a, b, reference(n)?)));
            let states: Vec<(f64, f64, Rule)> = states.collect::<Result<_>>()?;
            let otherwise = if refs > states.len() { reference(states.len())? } else { Rule::Identity };
            if otherwise == Rule::Identity && states.iter().all(|s| s.2 == Rule::Identity) {
                return Ok(Rule::Identity);
            }
            Rule::States { states, otherwise: Box::new(otherwise), whole_numbers: whole_numbers || kind == 7 }
        }
        (9..=11, _) => Rule::NoNumber("its conversion gives text"),
        (1 | 2, _) => return damage(format!("##CC at byte {} has too few values", block.header.at)),
        (n, _) => return damage(format!("##CC at byte {} has the unknown type {n}", block.header.at)),
    })
}

impl Rule {
    pub(crate) fn apply(&self, values: &mut [f64]) {
        match self {
            Self::Identity => {}
            Self::Linear { offset, factor } => values.iter_mut().for_each(|v| *v = *v * factor + offset),
            rule => values.iter_mut().filter(|v| !v.is_nan()).for_each(|v| *v = rule.of(*v)),
        }
    }

    fn of(&self, x: f64) -> f64 {
        match self {
            Self::Identity => x,
            Self::Linear { offset, factor } => x * factor + offset,
            Self::Rational([a, b, c, d, e, f]) => (a * x * x + b * x + c) / (d * x * x + e * x + f),
            Self::Interpolated(table) => {
                let after = table.partition_point(|p| p.0 < x);
                match (after.checked_sub(1).map(|i| table[i]), table.get(after)) {
                    (None, Some(p)) => p.1,
                    (Some(p), None) => p.1,
                    (Some((x0, y0)), Some(&(x1, y1))) => y0 + (y1 - y0) * (x - x0) / (x1 - x0),
                    (None, None) => f64::NAN,
                }
            }
            Self::Nearest(table) => {
                let after = table.partition_point(|p| p.0 < x);
                match (after.checked_sub(1).map(|i| table[i]), table.get(after)) {
                    (None, Some(p)) => p.1,
                    (Some(p), None) => p.1,
                    // Halfway the lower key wins.
                    (Some((x0, y0)), Some(&(x1, y1))) => {
                        if x - x0 <= x1 - x {
                            y0
                        } else {
                            y1
                        }
                    }
                    (None, None) => f64::NAN,
                }
            }
            Self::Ranges { ranges, otherwise, whole_numbers } => {
                ranges.iter().find(|r| within(x, r.0, r.1, *whole_numbers)).map_or(*otherwise, |r| r.2)
            }
            Self::States { states, otherwise, whole_numbers } => states
                .iter()
                .find(|s| within(x, s.0, s.1, *whole_numbers))
                .map_or(&**otherwise, |s| &s.2)
                .of(x),
            Self::NoNumber(_) => f64::NAN,
        }
    }
}

/// Ranges of whole numbers hold their upper end, ranges of real numbers do not, unless they are a point.
fn within(x: f64, from: f64, to: f64, whole_numbers: bool) -> bool {
    x >= from && (x < to || (x == to && (whole_numbers || from == to)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_read_as_the_standard_says() {
        let table = vec![(0.0, 10.0), (10.0, 20.0), (20.0, 0.0)];
        let of = |rule: &Rule, xs: &[f64]| xs.iter().map(|&x| rule.of(x)).collect::<Vec<_>>();
        let xs = [-1.0, 0.0, 4.0, 5.0, 6.0, 15.0, 20.0, 21.0];
        assert_eq!(
            of(&Rule::Interpolated(table.clone()), &xs),
            [10.0, 10.0, 14.0, 15.0, 16.0, 10.0, 0.0, 0.0]
        );
        assert_eq!(of(&Rule::Nearest(table), &xs), [10.0, 10.0, 10.0, 10.0, 20.0, 20.0, 0.0, 0.0]);
        let ranges = vec![(0.0, 2.0, 5.0), (2.0, 4.0, 6.0)];
        let real = Rule::Ranges { ranges: ranges.clone(), otherwise: -1.0, whole_numbers: false };
        let whole = Rule::Ranges { ranges, otherwise: -1.0, whole_numbers: true };
        assert_eq!(of(&real, &[0.0, 2.0, 4.0]), [5.0, 6.0, -1.0]);
        assert_eq!(of(&whole, &[0.0, 2.0, 4.0]), [5.0, 5.0, 6.0]);
        assert_eq!(Rule::Rational([0.0, 1.0, 2.0, 0.0, 0.0, 4.0]).of(6.0), 2.0);
        assert_eq!(Rule::Linear { offset: 1.0, factor: 2.0 }.of(3.0), 7.0);
    }
}
