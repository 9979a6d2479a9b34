"""A small dense fit of linear mixed models: slow, plain matrices, nothing shared with the engine that it checks."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from blindtest.stats.mixed.degrees_of_freedom import satterthwaite
from blindtest.stats.mixed.kenward_roger import KenwardRoger

REFERENCES = Path(__file__).parents[2] / "references" / "stats"


@pytest.fixture(scope="session")
def reference_fit() -> Callable[[str], tuple[dict[str, Any], pd.DataFrame]]:
    """What R (lme4, lmerTest, pbkrtest, emmeans) found, and the table; names and versions stand in the JSON."""

    def load(name: str) -> tuple[dict[str, Any], pd.DataFrame]:
        content = json.loads((REFERENCES / f"{name}.json").read_text(encoding="utf-8"))
        table = pd.read_csv(REFERENCES / content["data"])
        for column in content["factor_levels_in_order"]:
            table[column] = table[column].astype(str)
        return content["expected"], table

    return load


@dataclass(frozen=True, kw_only=True)
class Dense:
    """A linear mixed model at given variances, by n x n matrices."""

    beta: np.ndarray
    cov: np.ndarray
    gradient: np.ndarray
    phi_covariance: np.ndarray
    score: np.ndarray
    """Slope of the deviance in each variance parameter: near zero at an optimum."""
    deviance: float
    kenward_roger: KenwardRoger

    @property
    def df_of(self) -> Callable[[Any], np.ndarray]:
        return partial(satterthwaite, cov_beta=self.cov, gradient=self.gradient, phi_covariance=self.phi_covariance)


def random_design(table, groups):
    """groups: (name of a column or product, (n,) values or None for 1) in the order of the parameters.

    Consecutive entries of one group are correlated: variance, covariances with those before, next variance ...
    """
    blocks, parameters, start, run, before = [], [], 0, [], None
    for name, values in groups:
        key = table[name.split(":")].agg(":".join, axis=1)
        codes, levels = pd.factorize(key, sort=True)
        block = np.eye(len(levels))[codes]
        blocks.append(block if values is None else block * np.asarray(values, dtype=float)[:, None])
        places = np.arange(start, start + len(levels))
        run = [*run, places] if name == before else [places]
        parameters += [(places, other) for other in run]
        start += len(levels)
        before = name
    return np.hstack(blocks), parameters


def dense_fit(fixed, response, table, groups, phi, residual, *, reml):
    z, parameters = random_design(table, groups)
    n, q = z.shape
    s = np.zeros((q, q))
    for (i, j), value in zip(parameters, phi, strict=True):
        s[i, j] = s[j, i] = value
    v = z @ s @ z.T + residual * np.eye(n)
    vi = np.linalg.inv(v)
    information = fixed.T @ vi @ fixed
    cov = np.linalg.inv(information)
    beta = cov @ fixed.T @ vi @ response
    p = vi - vi @ fixed @ cov @ fixed.T @ vi
    g = []
    for i, j in parameters:
        d = np.zeros((q, q))
        d[i, j] = d[j, i] = 1
        g.append(z @ d @ z.T)
    g.append(np.eye(n))
    traced, py = (p if reml else vi), p @ response
    hessian = np.array([[2 * py @ a @ p @ b @ py - np.sum((traced @ a) * (traced @ b).T) for b in g] for a in g])
    deviance = np.linalg.slogdet(v)[1] + response @ py
    deviance += (n - fixed.shape[1] if reml else n) * np.log(2 * np.pi)
    if reml:
        deviance += np.linalg.slogdet(information)[1]
    return Dense(
        beta=beta,
        cov=cov,
        gradient=np.array([cov @ fixed.T @ vi @ a @ vi @ fixed @ cov for a in g]),
        phi_covariance=2 * np.linalg.inv(hessian),
        score=np.array([np.sum(traced * a) - py @ a @ py for a in g]),
        deviance=deviance,
        kenward_roger=dense_kenward_roger(fixed, vi, cov, g),
    )


def dense_kenward_roger(x, vi, c, g):
    """The formulas of Kenward & Roger 1997, section 2, read off the page."""
    k = len(g)
    p = [-x.T @ vi @ a @ vi @ x for a in g]
    q = [[x.T @ vi @ a @ vi @ b @ vi @ x for b in g] for a in g]
    information = [
        [
            np.sum((vi @ g[r]) * (vi @ g[s]).T) - 2 * np.trace(c @ q[r][s]) + np.trace(c @ p[r] @ c @ p[s])
            for s in range(k)
        ]
        for r in range(k)
    ]
    w = 2 * np.linalg.inv(np.array(information))
    middle = sum(w[r, s] * (q[r][s] - p[r] @ c @ p[s]) for r in range(k) for s in range(k))
    return KenwardRoger(cov_beta=c, cov_adjusted=c + 2 * c @ middle @ c, slopes=np.array(p), information_inverse=w)


@pytest.fixture(scope="session")
def dense() -> Callable[..., Dense]:
    return dense_fit
