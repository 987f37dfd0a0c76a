"""The general-purpose libraries do what they document, so that holding the detector against them is fair."""

import numpy as np
import pytest
import ruptures
import scipy.signal
from ruptures.metrics import precision_recall

from tests.bench.detect_cases import case
from tests.bench.rivals import KERNEL, PEAKS, PELT, PELT_TWIN, kernel_breaks, pelt_breaks, stretches


@pytest.mark.parametrize(("find", "seeds"), [(kernel_breaks, range(10)), (pelt_breaks, range(2))])
def test_ruptures_recovers_every_change_point_of_its_own_documented_example(find, seeds):
    """The example of ruptures' README: `pw_constant`, 1000 samples, 3 dimensions, 4 changes, noise of 4; precision and
    recall of its own metrics at their default margin of 10. Penalty: 2 log(n) times dimensions and variance."""
    for seed in seeds:
        signal, true = ruptures.pw_constant(1000, 3, 4, noise_std=4, seed=seed)
        found = find(signal, 2 * np.log(1000) * 3 * 4**2)
        assert precision_recall(true, found, margin=10) == (1.0, 1.0)


def test_kernel_and_pelt_find_the_same_optimum():
    """Why one may tune for the other: `KernelCPD` with the linear kernel and `Pelt` with "l2" minimise one sum."""
    x = stretches(case("other saw", "ordinary", 0), 0.2)[0].x
    for penalty in (0.5, 2.0, 8.0):
        assert kernel_breaks(x, penalty) == pelt_breaks(x, penalty)


def test_scipy_finds_the_peaks_and_widths_of_its_own_documented_example():
    """The example of scipy's reference page of `peak_widths`: two overlaid harmonics, and the page's own figures."""
    x = np.linspace(0, 6 * np.pi, 1000)
    x = np.sin(x) + 0.6 * np.sin(2.6 * x)
    _, found = scipy.signal.find_peaks(x, width=0, rel_height=0.5)
    page = [64.25172825, 41.29465463, 35.46943289, 104.71586081, 35.46729324, 41.30429622, 181.93835853, 45.37078546]
    assert found["widths"] == pytest.approx(page)


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize(("rival", "tuner"), [(KERNEL, KERNEL), (PELT, PELT_TWIN), (PEAKS, PEAKS)])
def test_each_rival_finds_the_cuts_of_an_ordinary_trace_with_settings_tuned_on_another(rival, tuner, told):
    settings = tuner.best([case("other saw", "ordinary", 1)], told=told)
    assert rival.f1([case("other saw", "ordinary", 2)], settings) > (0.95 if told else 0.7)
