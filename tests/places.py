"""Where things lie in the project."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TOPS = ("capture", "calibration", "analysis", "gui", "commands")
"""The five rooms."""

RECORDINGS = ROOT / "demo_recordings"
