"""What counts as a voltage that stands still while it is read."""

import random

from hypothesis import given
from hypothesis import strategies as st

from barbox.calibration.sample import LEAST, MOST, sample

NOISE = st.sampled_from([0.0, 0.3, 1.0, 4.0])


def codes(noise: float, n: int, seed: int) -> list[float]:
    rng = random.Random(seed)
    return [float(round(8000 + rng.gauss(0, noise))) for _ in range(n)]


@given(NOISE, st.integers(LEAST, MOST), st.integers(0, 999))
def test_noise_alone_is_no_movement(noise, n, seed):
    assert sample(codes(noise, n, seed)).steady(1.0)


@given(NOISE, st.integers(LEAST, MOST), st.data(), st.sampled_from([-1, 1]), st.integers(0, 999))
def test_a_jump_is_seen_wherever_it_falls(noise, n, data, sign, seed):
    # At the very first or last reading it shifts the mean by a share of 1 / n: it has to be so many times larger.
    at = data.draw(st.integers(1, n - 1))
    jump = sign * (50 + 40 * noise) * n / min(at, n - at)
    still = codes(noise, n, seed)
    assert not sample(still[:at] + [c + jump for c in still[at:]]).steady(1.0)


@given(NOISE, st.integers(LEAST, MOST), st.integers(0, 999))
def test_a_slow_fall_is_seen(noise, n, seed):
    fall = 30 + 30 * noise
    assert not sample([c - fall * k / n for k, c in enumerate(codes(noise, n, seed))]).steady(1.0)
