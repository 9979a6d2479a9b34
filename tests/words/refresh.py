"""Make the catalogues anew from the sources: `python tests/words/refresh.py`, after words of a page were changed.

New messages come into every `.po` file without words; write those, then run this again.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from catalogues import TEMPLATE, WORDS, compiled, read, template_text, updated

from blindtest.words import ENGLISH, LANGUAGES


def main() -> None:
    TEMPLATE.write_text(template_text(), encoding="utf-8")
    for language in LANGUAGES:
        if language == ENGLISH:
            continue
        (WORDS / f"{language}.po").write_text(updated(language), encoding="utf-8")
        (WORDS / f"{language}.json").write_text(compiled(language), encoding="utf-8")
        missing = [message.id for message in read(language) if message.id and not _worded(message)]
        print(f"{language}: {len(missing)} messages have no words yet", *missing, sep="\n  ")


def _worded(message) -> bool:
    return all(message.string) if isinstance(message.string, tuple | list) else bool(message.string)


if __name__ == "__main__":
    main()
