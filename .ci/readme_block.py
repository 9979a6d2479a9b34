"""Print the n-th fenced block of the README, counted from 1: what a new user would copy."""

import re
import sys
from pathlib import Path

readme = Path(__file__).parents[1] / "README.md"
blocks = re.findall(r"^```[a-z]*\n(.*?)^```", readme.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
print(blocks[int(sys.argv[1]) - 1].strip())
