"""The mean curve: depth against energy as a straight line on a bent energy scale.

Decides the form that depth follows, on the average board of a species under one module:

    depth = a + b · φ(x),    φ(x) = (1 - exp(-k x)) / k

x is the energy, k the bend. With k = 0, φ(x) is x and the curve is the plain straight line that
depth follows first of all; a negative a shows a threshold, energy spent before anything is dug.
With k > 0 deeper burns gain less and less, because light reaches the floor of a deep recess badly
and smoke takes its part; the depth would level off at a + b / k. With k < 0 they gain more.

Why this form and not a quadratic: its slope is b · exp(-k x), which has the sign of b everywhere, so
more energy never predicts less depth, within the burned range or beyond it. It contains the straight
line, so asking whether the line bends is asking whether k is 0, and it passes through the straight
line smoothly, so that fitting does not stumble there.
"""

import numpy as np

_NEARLY_STRAIGHT = 1e-3


def bent(x: np.ndarray, bend: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the bent energy φ(x) and its derivative by the bend.

    Near k = 0 both are differences of nearly equal numbers, so their series are used there.
    """
    u = bend * x
    straight = np.abs(u) < _NEARLY_STRAIGHT
    safe = np.where(straight, 1.0, u)
    left = np.exp(-safe)
    value = np.where(straight, x * (1 - u / 2 + u * u / 6), x * (1 - left) / safe)
    by_bend = np.where(straight, x * x * (-0.5 + u / 3 - u * u / 8),
                       x * x * (safe * left - (1 - left)) / safe**2)
    return value, by_bend


def depth_and_slopes(x: np.ndarray, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the depth at x, and its derivatives by (a, b, k) along a last axis.

    Parameters
    ----------
    x : array
    coefficients : (..., 3) array
        a, b and k; broadcasts against x.
    """
    a, b, bend = coefficients[..., 0], coefficients[..., 1], coefficients[..., 2]
    value, by_bend = bent(x, bend)
    return a + b * value, np.stack([np.ones_like(value), value, b * by_bend], -1)
