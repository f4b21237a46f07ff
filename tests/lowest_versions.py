"""Try the lowest versions that pyproject.toml allows: ``python tests/lowest_versions.py``.

Installs the project into a new environment with every dependency at its lower bound, works the demonstration through,
and opens the window without a screen. Ends with status 1 where any of that fails.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

from places import ROOT

WINDOW = """
import sys
from PyQt5.QtWidgets import QApplication
application = QApplication(sys.argv)
from stillbox.gui.main_window import MainWindow
from stillbox.gui.work.settings import Settings
window = MainWindow(Settings())
window.show()
application.processEvents()
window.close()
"""


def lower_bounds() -> list[str]:
    """Each dependency at its lower bound, as pip wants it."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    bounds = [re.fullmatch(r"([\w.-]+)>=([\w.]+)", one) for one in declared]
    assert all(bounds), "a dependency has no lower bound"
    return [f"{found[1]}=={found[2]}" for found in bounds if found]


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        venv.create(folder, with_pip=True)
        python = Path(folder) / ("Scripts" if os.name == "nt" else "bin") / "python"
        steps = (
            [python, "-m", "pip", "install", "--quiet", *lower_bounds(), str(ROOT)],
            [python, "-m", "pip", "check"],
            [python, "-m", "stillbox", "demo", "--out", Path(folder) / "demonstration"],
            [python, "-c", WINDOW],
        )
        for step in steps:
            print("...", *step[1:4], flush=True)
            environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "PYTHONPATH": ""}
            ran = subprocess.run([str(part) for part in step], cwd=folder, env=environment, check=False)
            if ran.returncode:
                return 1
    print("lowest versions:", ", ".join(lower_bounds()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
