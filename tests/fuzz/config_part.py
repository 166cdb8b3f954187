"""YAML into the config loader, and variables into its environment.

Owns what has to hold: a configuration is loaded, or refused with one readable line for each
thing that is wrong with it.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path
from typing import Final

from monitor.config import (
    ConfigError,
    builtin_procedures_folder,
    builtin_types_folder,
    default_config_path,
    read_procedure,
    read_type,
)
from monitor.config.document import parse_document
from monitor.config.explain import validate
from monitor.config.layers import environment_layers, file_layer
from monitor.config.site_file import SiteFile
from monitor.core.rules import known_parameters
from tests.fuzz.mutation import TOKENS, damage, damage_lines

_VALUES: Final = (
    b"", b"~", b"null", b"true", b"yes", b"0", b"-1", b"1.5", b".inf", b".nan", b"1e999", b"0x10", b"0o17", b"1_000",
    b"9" * 30, b"2026-01-01", b"''", b"'quoted'", b'"\\x00"', b'"\\ud800"', b"[]", b"[a, b]", b"[[[[]]]]", b"{}",
    b"{a: b}", b"{a: {b: {c: {d: e}}}}", b"&x [*x]", b"*x", b"&y z", b"!!python/object:os.system x", b"!!binary x",
    b"<<: *x", b"|", b">-", b"? a", b"@a", b"`a", b"%a", b"a: b: c", b"[a", b"mqtts://h:1", b"mqtt://u:p@h", b"..",
    b"/etc/passwd", b"/dev/zero", b"127.0.0.1", b"0.0.0.0", b"::1", b"UTC", b"Etc/GMT-1", b"../../x", b"S11", b"alder",
)  # fmt: skip
_EXTRA: Final = b"""
thresholds: {residual-pressure: {limit_hpa: 2.5}, wind-limit: {hold_s: 3}}
broker:
  url: mqtts://127.0.0.1:8883
  protocol: 5
  user: monitor
  password_file: a
  ca_file: b
  cert_file: c
  key_file: d
http: {host: 127.0.0.1, port: 8080}
data: {directory: data, retention_days: 30}
alerts: {shelve_minutes_max: 60, escalation: [coordinator, ops]}
"""
_VARIABLES: Final = (
    "BROKER",
    "BROKER__URL",
    "HTTP",
    "HTTP__PORT",
    "DATA",
    "SITE__STANDS",
    "SITE",
    "ALERTS__ESCALATION",
)


class ConfigPart:
    """The site's file, a type's or a procedure's, and the environment; the first byte of an input says which."""

    name = "config"

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="fuzz-config-"))
        self._known = known_parameters()
        site = default_config_path().read_bytes()
        self._sites = (site, site.partition(b"broker:")[0] + _EXTRA)
        self._types = tuple(path.read_bytes() for path in sorted(builtin_types_folder().glob("*.yaml")))
        self._procedures = tuple(path.read_bytes() for path in sorted(builtin_procedures_folder().glob("*.yaml")))
        self._texts = {ord("s"): self._sites, ord("t"): self._types, ord("p"): self._procedures}

    def make(self, rng: random.Random) -> bytes:
        """A damaged file, or a variable with a strange value."""
        kind = rng.choice(b"sssstttppe")
        if kind == ord("e"):
            return b"e" + rng.choice(_VARIABLES).encode() + b"=" + rng.choice((*_VALUES, *TOKENS))
        text = rng.choice(self._texts[kind])
        if rng.random() < 0.7:
            text = damage_lines(text, rng, _VALUES)
        if rng.random() < 0.4:
            text = damage(text, rng)
        return bytes([kind]) + text

    def take(self, data: bytes) -> None:
        """Load it, and look at what is said against it."""
        try:
            self._load(data[:1], data[1:])
        except ConfigError as error:
            told = [str(problem) for problem in error.problems]
        else:
            return
        assert told
        for said in told:
            assert "\n" not in said, said
            assert len(said) < 2000, said

    def _load(self, kind: bytes, text: bytes) -> None:
        if kind == b"t":
            path = self._folder / "type.yaml"
            path.write_bytes(text)
            read_type(path, self._known)
        elif kind == b"p":
            path = self._folder / "procedure.yaml"
            path.write_bytes(text)
            read_procedure(path)
        elif kind == b"e":
            name, _, value = text.decode("utf-8", "surrogateescape").partition("=")
            layers, problems = environment_layers({f"SILLWATCH_{name}": value})
            if problems:
                raise ConfigError(problems)
            validate(SiteFile, [file_layer(parse_document(self._sites[0], "site.yaml")), *layers])
        else:
            validate(SiteFile, [file_layer(parse_document(text, "site.yaml"))])

    def close(self) -> None:
        """Take the folder away."""
        shutil.rmtree(self._folder, ignore_errors=True)
