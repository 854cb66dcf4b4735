"""The catalogue of an invented factory, without people: something to try, and something to begin one's own from."""

from pathlib import Path

EXAMPLE = Path(__file__).with_name("example.toml").read_text()
