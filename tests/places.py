"""Where things lie in the project."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RECORDINGS = ROOT / "demo_recordings"
