"""The likelihood of binary mixed models: derivatives, pattern and approximations against plain dense matrices."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from blindtest.errors import BlindtestError
from blindtest.stats.mixed import effect_layout
from blindtest.stats.mixed.answers import binomial_constant
from blindtest.stats.mixed.arrowhead import Arrowhead, factorised
from blindtest.stats.mixed.effect_layout import Group, RowSum, compressed_rows
from blindtest.stats.mixed.laplace import BinaryRows, laplace, theta_places
from blindtest.stats.mixed.links import link_of
from blindtest.stats.mixed.quadrature import quadrature_value

LINKS = [("logit", 0.0), ("logit", 0.5), ("probit", 0.0), ("probit", 1 / 3)]
ONE = ("Intercept",)


@pytest.fixture(scope="module")
def answers():
    """Return listener, clip, device, x, right, trials of 240 made-up rows."""
    rng = np.random.default_rng(3)
    listener = np.sort(rng.integers(0, 10, 240))
    clip, device, x = rng.integers(0, 5, 240), rng.integers(0, 3, 240), rng.normal(size=240)
    trials = rng.integers(1, 4, 240).astype(float)
    return listener, clip, device, x, np.floor(rng.random(240) * (trials + 0.999)), trials


@pytest.mark.parametrize(("name", "guess"), LINKS)
def test_each_derivative_is_the_slope_of_the_one_before(name, guess):
    link, h = link_of(name, guess), 1e-5
    eta = np.linspace(-6, 6, 49)
    trials = np.tile([1.0, 2.0, 5.0], 17)[:49]
    right = np.minimum(np.tile([0.0, 1.0, 1.0, 3.0], 13)[:49], trials)

    def slope(function):
        return (function(eta + h) - function(eta - h)) / (2 * h)

    pieces = link.pieces(eta, right, trials)
    values = link.values(eta, right, trials)
    p = guess + (1 - guess) * (1 / (1 + np.exp(-eta)) if name == "logit" else ndtr(eta))
    assert values == pytest.approx(right * np.log(p) + (trials - right) * np.log(1 - p), abs=1e-6)
    assert pieces.value == pytest.approx(values.sum(), rel=1e-12)
    assert pieces.slope == pytest.approx(slope(lambda e: link.values(e, right, trials)), abs=1e-7)
    assert -pieces.information == pytest.approx(slope(lambda e: link.pieces(e, right, trials).slope), abs=1e-6)
    assert -pieces.third == pytest.approx(slope(lambda e: link.pieces(e, right, trials).information), abs=1e-5)
    expected, bend = link.expected(eta, trials)
    assert expected == pytest.approx(trials * slope(link.proportion) ** 2 / (p * (1 - p)), rel=1e-5, abs=1e-8)
    assert bend == pytest.approx(slope(lambda e: link.expected(e, trials)[0]), abs=1e-6)
    assert link.predictor(link.proportion(eta)) == pytest.approx(eta, abs=1e-5)


@pytest.mark.parametrize(("name", "guess"), LINKS)
def test_the_ends_of_the_scale_are_finite(name, guess):
    link = link_of(name, guess)
    one = np.ones(2)
    for eta in (np.array([-250.0, 250.0]), np.array([-1e6, 1e6])):
        for right in (np.zeros(2), one):
            pieces = link.pieces(eta, right, one)
            assert np.all(np.isfinite([pieces.value, *pieces.slope, *pieces.information, *pieces.third]))
    assert np.all(np.isfinite(link.expected(np.array([-250.0, 250.0]), one)))
    assert link.predictor(np.array([guess, guess / 2, 1.0])).tolist() == [-np.inf, -np.inf, np.inf]


def test_one_logarithm_for_eight_rows_is_the_sum_of_eight():
    """Single answers are multiplied before the logarithm is taken; counts are not, and where a product underflows."""
    link = link_of("logit", 0.5)
    rng = np.random.default_rng(5)
    for spread in (1.0, 100.0):
        eta, right = rng.normal(0, spread, 1003), rng.integers(0, 2, 1003).astype(float)
        value = link.pieces(eta, right, np.ones(1003)).value
        assert value == pytest.approx(link.values(eta, right, np.ones(1003)).sum(), rel=1e-12)


@pytest.mark.parametrize(
    "index", [np.arange(6), np.array([0, 0, 1, 2, 2, 2]), np.array([2, 0, 1, 1, 0, 2]), np.array([0, 0, 3, 3, 4, 5])]
)
def test_rows_are_summed_alike_however_they_lie(index):
    values = np.random.default_rng(1).normal(size=6)
    size = int(index.max()) + 1
    sums = RowSum(index, size)
    assert sums(values) == pytest.approx(np.bincount(index, weights=values, minlength=size))
    assert sums.gather(np.arange(size) * 2.0).tolist() == (index * 2.0).tolist()


def test_distinct_rows_are_counted_and_sorted_also_where_products_of_levels_are_huge():
    rng = np.random.default_rng(2)
    keys = [rng.integers(0, 3, 50) for _ in range(3)]
    for sizes in ([3, 3, 3], [2**40, 2**40, 2**40]):
        first, inverse = compressed_rows(keys, sizes)
        rows = np.column_stack(keys)
        assert rows[first].tolist() == np.unique(rows, axis=0).tolist()
        assert np.array_equal(rows[first][inverse], rows)
    first, inverse = compressed_rows([np.arange(4)], [4])
    assert inverse is None
    assert first.tolist() == [0, 1, 2, 3]


def groups_of(answers, names):
    listener, clip, device, x, *_ = answers
    codes = {"listener": listener, "clip": clip}
    for name, one in (("listener:device", listener), ("clip:device", clip)):
        codes[name] = np.unique(one * 3 + device, return_inverse=True)[1]
    made = []
    for name in names.split():
        group, *slope = name.split("/")
        columns, values = (("Intercept", "x"), (None, x)) if slope == ["x"] else (ONE, (None,))
        if slope == ["0x"]:
            columns, values = ("x",), (x,)
        levels = tuple(map(str, range(int(codes[group].max()) + 1)))
        made.append(Group(name=group, levels=levels, codes=codes[group], columns=columns, values=values))
    return made


def rows_of(answers, names, link):
    *_, x, right, trials = answers
    return BinaryRows(
        fixed=np.column_stack([np.ones(len(x)), x]),
        cells=RowSum(np.arange(len(x)), len(x)),
        right=right,
        trials=trials,
        layout=effect_layout.effect_layout(groups_of(answers, names)),
        link=link,
    )


def dense_laplace(rows, beta, theta, information):
    """Return the approximation by matrices with a row per answer and a column per effect, plain Newton steps."""
    layout, n = rows.layout, len(rows.right)
    z, root = np.zeros((n, layout.size)), np.zeros((layout.size, layout.size))
    for number, group in enumerate(layout.groups):
        for column, values in enumerate(group.values):
            z[np.arange(n), layout.slots[number][group.codes, column]] = 1.0 if values is None else values
    for (term, row, column), value in zip(theta_places(layout), theta, strict=True):
        root[layout.slots[term][:, row], layout.slots[term][:, column]] = value
    z, u = z @ root, np.zeros(layout.size)
    for _ in range(60):
        pieces = rows.link.pieces(rows.fixed @ beta + z @ u, rows.right, rows.trials)
        u = u + np.linalg.solve(np.eye(len(u)) + z.T @ (pieces.information[:, None] * z), z.T @ pieces.slope - u)
    eta = rows.fixed @ beta + z @ u
    value, weights = rows.link.values(eta, rows.right, rows.trials).sum(), pieces.information
    if information == "expected":
        weights = rows.link.expected(eta, rows.trials)[0]
    return value - u @ u / 2 - np.linalg.slogdet(np.eye(len(u)) + z.T @ (weights[:, None] * z))[1] / 2


MODELS = [
    ("listener", (0.7,)),
    ("listener clip", (0.7, 0.4)),
    ("clip listener listener:device clip:device", (0.4, 0.7, 0.3, 0.2)),
    ("listener/x clip/x listener:device", (0.6, 0.2, 0.3, 0.5, -0.1, 0.2, 0.3)),
    ("listener listener/0x clip", (0.6, 0.3, 0.4)),
    ("listener clip", (0.7, 0.0)),
]


@pytest.mark.parametrize("information", ["observed", "expected"])
@pytest.mark.parametrize(("name", "guess"), LINKS)
@pytest.mark.parametrize(("names", "theta"), MODELS)
def test_the_pattern_gives_what_dense_matrices_give(answers, names, theta, name, guess, information):
    rows = rows_of(answers, names, link_of(name, guess))
    point = np.array([0.9, 0.3, *theta])
    found = laplace(rows, point[:2], point[2:], np.zeros(rows.layout.size), information=information)
    assert found.value == pytest.approx(dense_laplace(rows, point[:2], point[2:], information), abs=1e-8)
    h = 1e-4
    for place in range(len(point)):
        up, down = point.copy(), point.copy()
        up[place] += h
        down[place] -= h
        values = [laplace(rows, at[:2], at[2:], found.mode.u, information=information).value for at in (up, down)]
        assert found.gradient[place] == pytest.approx((values[0] - values[1]) / (2 * h), abs=1e-5)


@pytest.mark.parametrize(("name", "guess"), LINKS)
@pytest.mark.parametrize("term", ["listener", "listener/0x"])
def test_quadrature_is_laplace_with_one_node_and_the_integral_with_many(answers, term, name, guess):
    rows = rows_of(answers, term, link_of(name, guess))
    beta, theta, start = np.array([0.9, 0.3]), np.array([0.7]), np.zeros(10)
    one = quadrature_value(rows, beta, theta, start, nodes=1)
    assert one.value == pytest.approx(laplace(rows, beta, theta, start).value, abs=1e-7)
    assert one.gradient == pytest.approx(laplace(rows, beta, theta, start).gradient, abs=1e-5)
    # The integral over each listener's effect by the trapezoid rule.
    u = np.linspace(-9, 9, 1501)
    group = rows.layout.groups[0]
    value = 1.0 if group.values[0] is None else group.values[0][:, None]
    eta = (rows.fixed @ beta)[:, None] + 0.7 * u * value
    by_row = rows.link.values(eta.T, rows.right, rows.trials)
    step = u[1] - u[0]
    total = sum(
        np.log(np.sum(np.exp(by_row[:, group.codes == code].sum(axis=1)) * norm.pdf(u)) * step) for code in range(10)
    )
    many = quadrature_value(rows, beta, theta, start, nodes=25)
    assert many.value == pytest.approx(total, abs=1e-6)
    for nodes in (3, 9):
        found, h = quadrature_value(rows, beta, theta, start, nodes=nodes), 1e-4
        for place in range(3):
            move = h * (np.arange(3) == place)
            ends = [
                quadrature_value(rows, beta + s * move[:2], theta + s * move[2:], start, nodes=nodes).value
                for s in (1, -1)
            ]
            assert found.gradient[place] == pytest.approx((ends[0] - ends[1]) / (2 * h), abs=1e-5)


def test_single_answers_have_no_constant_and_counts_have_the_binomial_coefficients():
    assert binomial_constant(np.array([1.0, 0.0]), np.ones(2)) == 0
    assert binomial_constant(np.array([2.0]), np.array([5.0])) == pytest.approx(np.log(10))


@pytest.mark.parametrize(("r", "m"), [(1, 0), (1, 3), (2, 3), (4, 0), (5, 2), (7, 2)])
def test_the_arrowhead_is_taken_apart_as_one_matrix(r, m):
    """Against numpy on the whole matrix: inverse inside the pattern, solutions, determinant, least pivot above 0."""
    rng, levels = np.random.default_rng(r * 10 + m), 4
    size = levels * r + m
    inside = np.zeros((size, size), dtype=bool)
    for level in range(levels):
        inside[level * r : level * r + r, level * r : level * r + r] = True
    inside[levels * r :] = inside[:, levels * r :] = True
    whole = np.where(inside, rng.normal(size=(size, size)), 0.0)
    whole = whole + whole.T + 12 * np.eye(size)
    arrow = Arrowhead(
        local=np.array([whole[j * r : j * r + r, j * r : j * r + r] for j in range(levels)]),
        border=whole[: levels * r, levels * r :].reshape(levels, r, m),
        corner=whole[levels * r :, levels * r :],
    )
    factor = factorised(arrow)
    inverse, found = np.linalg.inv(whole), factor.inverse()
    assert factor.log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
    assert factor.least > 0
    y = rng.normal(size=(size, 2))
    assert factor.solve(y) == pytest.approx(inverse @ y, abs=1e-12)
    assert factor.solve(y[:, 0]) == pytest.approx(inverse @ y[:, 0], abs=1e-12)
    for level in range(levels):
        rows = slice(level * r, level * r + r)
        assert found.local[level] == pytest.approx(inverse[rows, rows], abs=1e-12)
        assert found.border[level] == pytest.approx(inverse[rows, levels * r :], abs=1e-12)
    assert found.corner == pytest.approx(inverse[levels * r :, levels * r :], abs=1e-12)
    for broken in (
        replace(arrow, local=arrow.local - 30 * np.eye(r)),
        *((replace(arrow, corner=arrow.corner - 30 * np.eye(m)),) if m else ()),
    ):
        with pytest.raises(np.linalg.LinAlgError):
            factorised(broken)


def test_a_mode_without_curvature_is_no_mode():
    """A listener with 12 of 12 right in a panel of the deaf: deaf and lucky, or the one who hears?

    Where the first explanation gives way to the second, the mode's curvature (by hand: 1 - sd^2 l'', 1 of it from the
    effects' own distribution) nears 0, and a parabola of that curvature would hold a likelihood without limit.
    """
    rows = BinaryRows(
        fixed=np.ones((1, 1)),
        cells=RowSum(np.zeros(2, dtype=np.int64), 1),
        right=np.array([12.0, 6.0]),
        trials=np.array([12.0, 12.0]),
        layout=effect_layout.effect_layout(
            [Group(name="listener", codes=np.array([0, 1]), columns=ONE, values=(None,), levels=("a", "b"))]
        ),
        link=link_of("logit", 0.5),
    )
    found = [laplace(rows, np.array([beta]), np.array([2.0]), np.zeros(2)) for beta in (-6.0, -4.804, -4.0)]
    assert [bool(np.isfinite(one.value)) for one in found] == [True, False, True]
    for one in found:
        e = np.exp(one.mode.eta[0])
        heard, shifted = e / (1 + e), e / (0.5 + e)
        curvature = 1 + 4 * 12 * (heard * (1 - heard) - shifted * (1 - shifted))
        assert 1 / one.mode.factor.inverse_local[0, 0, 0] == pytest.approx(curvature, rel=1e-3)
        assert (curvature > 0.2) == np.isfinite(one.value)
    assert not found[1].gradient.any()


def test_too_many_crossing_effects_are_refused(monkeypatch, answers):
    monkeypatch.setattr(effect_layout, "MOST_CROSSING", 4)
    with pytest.raises(BlindtestError, match=r"too many random effects cross 'listener': 'clip' .5 levels., 5 effects"):
        effect_layout.effect_layout(groups_of(answers, "listener clip"))
    monkeypatch.setattr(effect_layout, "MOST_CROSSING", 3000)
    monkeypatch.setattr(effect_layout, "MOST_CELLS", 10)
    with pytest.raises(BlindtestError, match="the random effects do not fit: 10 levels of 'listener'"):
        effect_layout.effect_layout(groups_of(answers, "listener clip"))
