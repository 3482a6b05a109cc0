//! Small fixed-size matrices for the stage-by-stage linear algebra.

#![expect(clippy::needless_range_loop, reason = "index notation, as in the equations")]

/// Most states per node.
pub(crate) const MAX_STATES: usize = 3;

pub(crate) type Vector<const N: usize> = [f64; N];
pub(crate) type Mat<const R: usize, const C: usize> = [[f64; C]; R];

#[inline]
pub(crate) fn fill<const R: usize, const C: usize>(f: impl Fn(usize, usize) -> f64) -> Mat<R, C> {
    std::array::from_fn(|i| std::array::from_fn(|j| f(i, j)))
}

#[inline]
pub(crate) fn identity<const N: usize>() -> Mat<N, N> {
    fill(|i, j| f64::from(u8::from(i == j)))
}

#[inline]
pub(crate) fn transpose<const R: usize, const C: usize>(m: &Mat<R, C>) -> Mat<C, R> {
    fill(|i, j| m[j][i])
}

#[inline]
pub(crate) fn add<const R: usize, const C: usize>(a: &Mat<R, C>, b: &Mat<R, C>) -> Mat<R, C> {
    fill(|i, j| a[i][j] + b[i][j])
}

#[inline]
pub(crate) fn scale<const R: usize, const C: usize>(factor: f64, m: &Mat<R, C>) -> Mat<R, C> {
    fill(|i, j| factor * m[i][j])
}

#[inline]
pub(crate) fn mul<const R: usize, const M: usize, const C: usize>(a: &Mat<R, M>, b: &Mat<M, C>) -> Mat<R, C> {
    let mut out = [[0.0; C]; R];
    for i in 0..R {
        for k in 0..M {
            for j in 0..C {
                out[i][j] += a[i][k] * b[k][j];
            }
        }
    }
    out
}

/// `aᵀ·b`.
#[inline]
pub(crate) fn mul_t<const R: usize, const M: usize, const C: usize>(
    a: &Mat<M, R>,
    b: &Mat<M, C>,
) -> Mat<R, C> {
    let mut out = [[0.0; C]; R];
    for k in 0..M {
        for i in 0..R {
            for j in 0..C {
                out[i][j] += a[k][i] * b[k][j];
            }
        }
    }
    out
}

#[inline]
pub(crate) fn mul_vec<const R: usize, const C: usize>(m: &Mat<R, C>, v: &Vector<C>) -> Vector<R> {
    std::array::from_fn(|i| dot(&m[i], v))
}

/// `out += m·v`.
#[inline]
pub(crate) fn add_mul<const R: usize, const C: usize>(out: &mut Vector<R>, m: &Mat<R, C>, v: &Vector<C>) {
    for i in 0..R {
        out[i] += dot(&m[i], v);
    }
}

/// `out += mᵀ·v`.
#[inline]
pub(crate) fn add_mul_t<const R: usize, const C: usize>(out: &mut Vector<C>, m: &Mat<R, C>, v: &Vector<R>) {
    for i in 0..R {
        for j in 0..C {
            out[j] += m[i][j] * v[i];
        }
    }
}

#[inline]
pub(crate) fn dot<const N: usize>(a: &Vector<N>, b: &Vector<N>) -> f64 {
    let mut sum = 0.0;
    for i in 0..N {
        sum += a[i] * b[i];
    }
    sum
}

#[inline]
pub(crate) fn symmetrise<const N: usize>(m: &mut Mat<N, N>) {
    for i in 0..N {
        for j in 0..i {
            let mean = 0.5 * (m[i][j] + m[j][i]);
            m[i][j] = mean;
            m[j][i] = mean;
        }
    }
}

/// Inverse by Gauss-Jordan elimination with row exchange; `None` when singular.
#[inline]
pub(crate) fn inverse<const N: usize>(m: &Mat<N, N>) -> Option<Mat<N, N>> {
    let mut a = *m;
    let mut inv = identity::<N>();
    for column in 0..N {
        let mut best = column;
        for row in column + 1..N {
            if a[row][column].abs() > a[best][column].abs() {
                best = row;
            }
        }
        let pivot = a[best][column];
        if !(pivot.abs() > 1e-14 && pivot.is_finite()) {
            return None;
        }
        a.swap(column, best);
        inv.swap(column, best);
        let by = 1.0 / pivot;
        for j in 0..N {
            a[column][j] *= by;
            inv[column][j] *= by;
        }
        for row in 0..N {
            if row != column {
                let factor = a[row][column];
                for j in 0..N {
                    a[row][j] -= factor * a[column][j];
                    inv[row][j] -= factor * inv[column][j];
                }
            }
        }
    }
    Some(inv)
}

/// Inverse of a symmetric matrix of size 1 or 2 and its number of negative eigenvalues; `None` when singular.
#[inline]
pub(crate) fn inverse_symmetric<const N: usize>(m: &Mat<N, N>) -> Option<(Mat<N, N>, usize)> {
    const { assert!(N == 1 || N == 2) };
    let mut out = [[0.0; N]; N];
    if N == 1 {
        out[0][0] = 1.0 / m[0][0];
        return out[0][0].is_finite().then_some((out, usize::from(m[0][0] < 0.0)));
    }
    let (a, c) = (m[0][0], m[N - 1][N - 1]);
    let off = 0.5 * (m[0][N - 1] + m[N - 1][0]);
    let determinant = a * c - off * off;
    if !(determinant.abs() > 1e-14 * (a * c).abs().max(off * off) && determinant.is_finite()) {
        return None;
    }
    let negative = match (determinant > 0.0, a > 0.0) {
        (true, true) => 0,
        (true, false) => 2,
        (false, _) => 1,
    };
    let by = 1.0 / determinant;
    out[0][0] = c * by;
    out[N - 1][N - 1] = a * by;
    out[0][N - 1] = -off * by;
    out[N - 1][0] = -off * by;
    Some((out, negative))
}

const CLOSING: usize = 2 * MAX_STATES;

/// The system that closes the lap, `[P, G − I; Gᵀ − I, S]`, padded to the largest size by a unit diagonal
/// (upper half 1, lower half −1, so that padding keeps the balance of signs).
fn closing<const N: usize>(p: &Mat<N, N>, g: &Mat<N, N>, s: &Mat<N, N>) -> Mat<CLOSING, CLOSING> {
    let mut m = [[0.0; CLOSING]; CLOSING];
    for i in 0..MAX_STATES {
        for j in 0..MAX_STATES {
            if i < N && j < N {
                let link = g[i][j] - f64::from(u8::from(i == j));
                m[i][j] = p[i][j];
                m[i][MAX_STATES + j] = link;
                m[MAX_STATES + j][i] = link;
                m[MAX_STATES + i][MAX_STATES + j] = 0.5 * (s[i][j] + s[j][i]);
            } else if i == j {
                m[i][i] = 1.0;
                m[MAX_STATES + i][MAX_STATES + i] = -1.0;
            }
        }
    }
    m
}

/// Number of negative eigenvalues of the closing system; a minimum has half of them, [`MAX_STATES`], when all
/// pivots before were positive. `None` when they are not numbers.
pub(crate) fn closing_negatives<const N: usize>(
    p: &Mat<N, N>,
    g: &Mat<N, N>,
    s: &Mat<N, N>,
) -> Option<usize> {
    let values = eigenvalues(closing(p, g, s));
    values.iter().all(|v| v.is_finite()).then(|| values.iter().filter(|v| **v < 0.0).count())
}

/// Solves the closing system for the start θ and the multiplier ν of the closure, given the linear terms.
pub(crate) fn closing_solution<const N: usize>(
    p: &Mat<N, N>,
    g: &Mat<N, N>,
    s: &Mat<N, N>,
    q: &Vector<N>,
    end: &Vector<N>,
) -> (Vector<N>, Vector<N>) {
    let Some(inverse) = inverse(&closing(p, g, s)) else {
        return ([0.0; N], [0.0; N]);
    };
    let mut right = [0.0; CLOSING];
    for i in 0..N {
        right[i] = -q[i];
        right[MAX_STATES + i] = -end[i];
    }
    let solution = mul_vec(&inverse, &right);
    (std::array::from_fn(|i| solution[i]), std::array::from_fn(|i| solution[MAX_STATES + i]))
}

/// Eigenvalues of a symmetric matrix by Jacobi rotations, after scaling rows and columns alike (which keeps
/// their signs).
fn eigenvalues<const N: usize>(mut m: Mat<N, N>) -> Vector<N> {
    let size: Vector<N> = std::array::from_fn(|i| {
        let largest = m[i].iter().fold(0.0_f64, |a, b| a.max(b.abs()));
        if largest > 0.0 { 1.0 / largest.sqrt() } else { 1.0 }
    });
    for i in 0..N {
        for j in 0..N {
            m[i][j] *= size[i] * size[j];
        }
    }
    for _ in 0..20 {
        let off: f64 = (0..N).flat_map(|i| (0..i).map(move |j| (i, j))).map(|(i, j)| m[i][j] * m[i][j]).sum();
        if off < 1e-26 {
            break;
        }
        for i in 0..N {
            for j in 0..i {
                if m[i][j].abs() < 1e-300 {
                    continue;
                }
                let theta = 0.5 * (m[i][i] - m[j][j]) / m[i][j];
                let t = theta.signum() / (theta.abs() + (1.0 + theta * theta).sqrt());
                let c = 1.0 / (1.0 + t * t).sqrt();
                let s = t * c;
                for k in 0..N {
                    let (a, b) = (m[k][i], m[k][j]);
                    m[k][i] = c * a + s * b;
                    m[k][j] = c * b - s * a;
                }
                for k in 0..N {
                    let (a, b) = (m[i][k], m[j][k]);
                    m[i][k] = c * a + s * b;
                    m[j][k] = c * b - s * a;
                }
            }
        }
    }
    std::array::from_fn(|i| m[i][i])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_times_matrix_is_the_identity() {
        let m = [[0.0, 2.0, 1.0], [3.0, -1.0, 0.5], [1.0, 4.0, 2.0]];
        let product = mul(&inverse(&m).unwrap(), &m);
        for (row, unit) in product.iter().zip(identity::<3>()) {
            assert!(row.iter().zip(unit).all(|(a, b)| (a - b).abs() < 1e-13));
        }
        assert!(inverse(&[[1.0, 2.0], [2.0, 4.0]]).is_none());
    }

    #[test]
    fn symmetric_inverses_count_their_negative_eigenvalues() {
        assert_eq!(inverse_symmetric(&[[2.0, 0.0], [0.0, 4.0]]), Some(([[0.5, 0.0], [0.0, 0.25]], 0)));
        assert_eq!(inverse_symmetric(&[[1.0, 2.0], [2.0, 1.0]]).unwrap().1, 1);
        assert_eq!(inverse_symmetric(&[[-1.0, 0.0], [0.0, -3.0]]).unwrap().1, 2);
        assert_eq!(inverse_symmetric(&[[-2.0]]), Some(([[-0.5]], 1)));
        assert!(inverse_symmetric(&[[1.0, 1.0], [1.0, 1.0]]).is_none());
    }

    #[test]
    fn eigenvalue_signs_follow_sylvester() {
        // diag(1, -2, 3) under a congruence keeps two positive and one negative sign.
        let l = [[1.0, 0.0, 0.0], [0.5, 1.0, 0.0], [-2.0, 0.3, 1.0]];
        let d = [[1.0, 0.0, 0.0], [0.0, -2.0, 0.0], [0.0, 0.0, 3.0]];
        let m = mul(&mul(&l, &d), &transpose(&l));
        assert_eq!(eigenvalues(m).iter().filter(|v| **v < 0.0).count(), 1);
    }
}
