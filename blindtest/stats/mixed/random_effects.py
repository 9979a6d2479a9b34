"""The random effects of a fit as tables, group by group, made when somebody looks at a group."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest.stats.mixed.linear_fit import AnyLinearFit

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["RandomEffects"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomEffects(Mapping[str, "DataFrame"]):
    """Group -> a row per level, a column per term: conditional modes, or their variances."""

    fit: AnyLinearFit
    variances: bool

    def __getitem__(self, group: str) -> "DataFrame":
        import pandas as pd

        if group not in tuple(self):
            raise KeyError(group)
        columns: dict[str, Any] = {}
        index: tuple[str, ...] = ()
        for place, term in enumerate(self.fit.model.random):
            if term.group == group:
                index = term.levels
                values = self.fit.effects[place]
                if self.variances:
                    values = np.diagonal(self.fit.effect_covariances[place], axis1=1, axis2=2)
                columns.update((name, values[:, j]) for j, name in enumerate(term.columns))
        return pd.DataFrame(columns, index=pd.Index(index, name=group))

    def __iter__(self) -> Iterator[str]:
        return iter(dict.fromkeys(term.group for term in self.fit.model.random))

    def __len__(self) -> int:
        return len(tuple(iter(self)))
