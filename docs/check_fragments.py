"""Check the names of changelog fragments: ``changes/<topic>.<kind>.md``.

Kinds: feature, bugfix, breaking, docs. A fragment says symptom, cause and new behaviour.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

PATTERN = re.compile(r"^[a-z0-9-]+\.(feature|bugfix|breaking|docs)\.md$")


def main() -> int:
    """Print wrongly named or empty fragments and return 1 if there are any."""
    folder = Path(__file__).resolve().parents[1] / "changes"
    wrong = [f.name for f in sorted(folder.iterdir()) if f.name != "README.md" and not PATTERN.match(f.name)]
    empty = [f.name for f in sorted(folder.glob("*.md")) if not f.read_text(encoding="utf-8").strip()]
    for name in wrong:
        sys.stderr.write(
            f"changes/{name}: the name needs the form topic.kind.md, kind one of feature, bugfix, breaking, docs\n"
        )
    for name in empty:
        sys.stderr.write(f"changes/{name}: the fragment is empty; say what changed for the reader\n")
    return 1 if wrong or empty else 0


if __name__ == "__main__":
    sys.exit(main())
