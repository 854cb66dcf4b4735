"""Settings of installations that live for a test or a measure only."""

from typing import ClassVar

from app.settings import Settings


class QuickSettings(Settings):
    """Passwords by weak, quick hashes: at the strength of a plant's, signing in would take longer than what is tested."""

    cheap_passwords: ClassVar[bool] = True
