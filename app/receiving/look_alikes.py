"""Letters of other scripts that look like those of ASCII: a code with one of them is another code, and nobody sees it.

Cyrillic and Greek letters from memory of Unicode's list of confusables (UTS 39); full-width letters and odd spaces by their
compatibility form (NFKC).
"""

import unicodedata

_CYRILLIC = dict(
    zip("\u0410\u0412\u0415\u0417\u0406\u0408\u041a\u041c\u041d\u041e\u0420\u0421\u0405\u0422\u0425\u0423", "ABE3IJKMHOPCSTXY", strict=True)
)
_CYRILLIC |= dict(zip("\u0430\u0435\u0456\u0458\u043e\u0440\u0441\u0455\u0445\u0443", "aeijopcsxy", strict=True))
_GREEK = dict(zip("\u0391\u0392\u0395\u0396\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a5\u03a7\u03bf", "ABEZHIKMNOPTYXo", strict=True))
_PLAIN = str.maketrans(_CYRILLIC | _GREEK)


def looks_like(text: str) -> str | None:
    """The ASCII text that this one looks like; None where it is ASCII itself, or looks like none."""
    if text.isascii():
        return None
    plain = unicodedata.normalize("NFKC", text).translate(_PLAIN)
    return plain if plain.isascii() else None
