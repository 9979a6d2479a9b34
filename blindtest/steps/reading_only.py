"""A study's record for those who only look: also where the folder can't be written to."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError
from blindtest.steps.place import Entropy, open_store
from blindtest.steps.storage import database_of
from blindtest.study import Study

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["open_to_read"]


@contextmanager
def open_to_read(study: Study, *, entropy: Entropy) -> Iterator["Store"]:
    """Open the study's database, there must be one, to look at it: what is written to it need not last.

    Where file or folder can't be written to, it is a copy in a folder of its own, which goes at the end.
    """
    place = database_of(study)
    from blindtest.session.store import Store, copy_to_read, is_read_only

    if not isinstance(place, Path) or not is_read_only(place):
        with open_store(study, create=False, entropy=entropy) as store:
            yield store
        return
    with tempfile.TemporaryDirectory(prefix="blindtest-read-") as own:
        copy = Path(own) / place.name
        copy_to_read(place, copy)
        try:
            with Store(copy, entropy=entropy, create=False) as store:
                yield store
        except BlindtestError as error:
            # Whoever reads this knows the study, and not the copy.
            told = (replace(one, file=str(place)) if one.file == str(copy) else one for one in error.faults)
            raise type(error)(*told) from error
