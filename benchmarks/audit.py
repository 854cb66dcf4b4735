"""Are any of the installed packages known to be unsafe? Asks pip-audit, and does not take silence for an answer.

    python -m benchmarks.audit                      # after `pip install reelroot[audit]`
    python benchmarks/audit.py SITE-PACKAGES        # of another environment, by a pip-audit that is not in it

Exit code 0: each installed package was looked up and none has an advisory. 1: some have. 2: not audited, as the advisories can't be reached.
"""

import json
import subprocess
import sys
from importlib.util import find_spec

_OURS = {"reelroot"}


def main() -> int:
    if find_spec("pip_audit") is None:
        print("Not audited: install pip-audit (the extra `audit`).")
        return 2
    where = [word for path in sys.argv[1:] for word in ("--path", path)]
    asked = [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off", *where]
    done = subprocess.run(asked, capture_output=True, text=True)
    try:
        packages = json.loads(done.stdout)["dependencies"]
    except (json.JSONDecodeError, KeyError):
        print("Not audited: the advisories can't be reached.", done.stderr.strip().splitlines()[-1:])
        return 2
    return told(packages)


def told(packages: list[dict[str, object]]) -> int:
    """`packages` as pip-audit lists them: with `vulns`, or with why they were skipped."""
    unsafe = [one for one in packages if one.get("vulns")]
    skipped = [str(one["name"]) for one in packages if "skip_reason" in one and one["name"] not in _OURS]
    for one in unsafe:
        print(f"{one['name']} {one.get('version')}: {one['vulns']}")
    print(f"{len(packages) - len(skipped)} of {len(packages)} packages looked up, {len(unsafe)} with advisories.")
    if skipped:
        print(f"Not audited: {', '.join(skipped[:8])}{' and others' if len(skipped) > 8 else ''}: nothing is known of them.")
    return 1 if unsafe else 2 if skipped else 0


if __name__ == "__main__":
    sys.exit(main())
