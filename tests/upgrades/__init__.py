"""Stores that earlier versions left: how they are recorded, and where they lie."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
RECORDED = Path(__file__).parent / "recorded"
