"""The configuration: YAML files, environment and flags, checked, as frozen values.

Owns what a configuration may say and the one line that tells a person what is wrong
with it. It imports the core only, reads files only, and never holds a secret: a password
stays in the file that a key names.
"""

from monitor.config.airframes import read_type
from monitor.config.effective import flatten
from monitor.config.http_file import Http, Oidc
from monitor.config.loading import Config, check, load
from monitor.config.locations import (
    builtin_procedures_folder,
    builtin_types_folder,
    config_folder,
    default_config_path,
)
from monitor.config.problems import ConfigError, Problem
from monitor.config.procedures import read_procedure
from monitor.config.schemas import json_schemas, write_schemas
from monitor.config.site_file import Alerts, Broker, Data, Drills

__all__ = [
    "Alerts",
    "Broker",
    "Config",
    "ConfigError",
    "Data",
    "Drills",
    "Http",
    "Oidc",
    "Problem",
    "builtin_procedures_folder",
    "builtin_types_folder",
    "check",
    "config_folder",
    "default_config_path",
    "flatten",
    "json_schemas",
    "load",
    "read_procedure",
    "read_type",
    "write_schemas",
]
