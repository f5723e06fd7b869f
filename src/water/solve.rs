//! The inverse of an increasing function, where no closed form exists.

/// Steps after which the last estimate is taken; the Illinois rule needs about ten.
const MOST_STEPS: usize = 80;

/// The `x` in `[low, high]` at which the increasing `f` takes the value `target`.
///
/// Illinois variant of the regula falsi: it never leaves the bracket. The target must lie between
/// `f(low)` and `f(high)`; beyond them the nearer end is returned, so callers check first.
pub(super) fn increasing(f: impl Fn(f64) -> f64, low: f64, high: f64, target: f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a) - target, f(b) - target);
    if fa >= 0.0 {
        return a;
    }
    if fb <= 0.0 {
        return b;
    }
    let mut last_side = 0;
    for _ in 0..MOST_STEPS {
        let x = (a * fb - b * fa) / (fb - fa);
        let fx = f(x) - target;
        if fx == 0.0 || (b - a) <= f64::EPSILON * 4.0 * a.abs().max(b.abs()) {
            return x;
        }
        if fx < 0.0 {
            (a, fa) = (x, fx);
            if last_side == -1 {
                fb *= 0.5;
            }
            last_side = -1;
        } else {
            (b, fb) = (x, fx);
            if last_side == 1 {
                fa *= 0.5;
            }
            last_side = 1;
        }
    }
    (a + b) * 0.5
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_inverse_of_a_cube_is_its_root() {
        for target in [1e-6, 0.5, 27.0, 999.0] {
            let x = increasing(|x| x * x * x, 0.0, 10.0, target);
            assert!((x * x * x - target).abs() < 1e-12 * target.max(1.0), "{target}: {x}");
        }
        assert!((increasing(|x| x, 0.0, 1.0, 5.0) - 1.0).abs() < 1e-15, "the nearer end");
    }
}
