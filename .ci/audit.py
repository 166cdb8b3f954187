"""Hold ``requirements.lock`` against the public database of known vulnerabilities.

Owns what the outcome means: known faults end with 1 and are listed. A database that cannot be
reached is said aloud; it ends with 0 on a desk and with 1 where ``CI`` is ``true``, since
there nobody would read it. Installs nothing.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "requirements.lock"


def judge(output: str, complaints: str, *, strict: bool) -> tuple[int, list[str]]:
    """Read what pip-audit wrote: the exit code, and the lines to say."""
    try:
        packages = json.loads(output)["dependencies"]
    except (ValueError, KeyError, TypeError):
        why = next((line.strip() for line in reversed(complaints.splitlines()) if line.strip()), "it said nothing")
        said = f"audit: NOT DONE: the database of known vulnerabilities was not read ({why[:200]})"
        return (1 if strict else 0), [said]
    faults = [
        f"audit: {package['name']} {package['version']}: {fault['id']}; mended in {', '.join(fault['fix_versions']) or 'no version yet'}"
        for package in packages
        for fault in package.get("vulns", [])
    ]
    skipped = [
        f"audit: {package['name']}: not judged: {package['skip_reason']}"
        for package in packages
        if "skip_reason" in package
    ]
    told = [*faults, *skipped, f"audit: {len(packages)} packages, {len(faults)} known vulnerabilities"]
    return (1 if faults or (skipped and strict) else 0), told


def main() -> None:
    """Run pip-audit over the lock file, hashes required."""
    command = [
        str(Path(sys.executable).with_name("pip-audit")), "--requirement", str(LOCK), "--require-hashes", "--disable-pip",
        "--format", "json", "--progress-spinner", "off",
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True)  # noqa: S603 - our own arguments
    code, told = judge(done.stdout, done.stderr, strict=os.environ.get("CI") == "true")
    print("\n".join(told))
    sys.exit(code)


if __name__ == "__main__":
    main()
