"""The shipped configuration, the order of its sources, and what the design fixes."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path

import pytest
import yaml

from monitor.config import (
    Config,
    ConfigError,
    builtin_types_folder,
    check,
    config_folder,
    default_config_path,
    json_schemas,
    load,
    read_type,
    write_schemas,
)
from monitor.config.schemas import encode_schema
from monitor.core.airframe import AirframeType, DoorKind, DoorType, Side
from monitor.core.exits_table import is_floor_level
from tests.json_schema import validator_for

CONFIG = Path(__file__).resolve().parent.parent / "config"
MINIMAL = "site: {name: tarnwick, elevation_m: 210, stands: [S11]}\n"


@pytest.fixture(autouse=True)
def _bare_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("SILLWATCH_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def minimal(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(MINIMAL)
    return path


@pytest.fixture(scope="module")
def demo() -> Config:
    return load(default_config_path(), environment={})


# What the design fixes of `alder` (design, section 3), written out here by hand.
ALDER_SIGNALS = {
    DoorKind.CABIN: "closed latched locked handle_lifted outside_handle_lifted flap_pressed hold_open travel "
    "lever_armed girt_left girt_right pin_fitted slide_released slide_erect slide_bottle_bar assist_bottle_bar "
    "access barrier",
    DoorKind.OVERWING: "closed latched locked cover_fitted handle_lifted slide_released slide_erect slide_bottle_bar",
    DoorKind.WINDOW: "closed latched locked handle_lifted travel",
    DoorKind.CARGO: "closed latched locked lock_flags handle_lifted selector actuator_bar hand_pump hold_open travel "
    "access barrier",
    DoorKind.BULK: "closed latched locked handle_lifted travel access barrier",
    DoorKind.HATCH: "closed latched locked handle_lifted",
}
LEFT, RIGHT = Side.LEFT, Side.RIGHT
ALDER_DOORS = [
    ("WL", DoorKind.WINDOW, LEFT),
    ("WR", DoorKind.WINDOW, RIGHT),
    ("L1", DoorKind.CABIN, LEFT),
    ("R1", DoorKind.CABIN, RIGHT),
    ("H1", DoorKind.HATCH, None),
    ("H2", DoorKind.HATCH, None),
    ("CF", DoorKind.CARGO, RIGHT),
    ("OL1", DoorKind.OVERWING, LEFT),
    ("OR1", DoorKind.OVERWING, RIGHT),
    ("H3", DoorKind.HATCH, None),
    ("CA", DoorKind.CARGO, RIGHT),
    ("L2", DoorKind.CABIN, LEFT),
    ("R2", DoorKind.CABIN, RIGHT),
    ("CB", DoorKind.BULK, RIGHT),
    ("H4", DoorKind.HATCH, None),
]


def _door(demo: Config, name: str) -> DoorType:
    return demo.site.types["alder"].doors[name]


def test_alder_has_the_seats_the_engines_and_the_doors_of_the_design_in_station_order(demo: Config) -> None:
    alder = demo.site.types["alder"]
    assert alder.seats == 144
    assert alder.engines == {1: LEFT, 2: RIGHT}
    assert [(door.name, door.kind, door.side) for door in alder.doors.values()] == ALDER_DOORS
    assert list(alder.doors) == [door.name for door in alder.doors.values()]
    stations = [door.station for door in alder.doors.values()]
    assert stations == sorted(stations)


@pytest.mark.parametrize(("name", "kind", "side"), ALDER_DOORS)
def test_alder_fits_exactly_the_signals_of_the_design(
    demo: Config, name: str, kind: DoorKind, side: Side | None
) -> None:
    door = _door(demo, name)
    assert door.signals == set(ALDER_SIGNALS[kind].split())


@pytest.mark.parametrize(("name", "half"), [("L1", "fore"), ("R1", "fore"), ("L2", "aft"), ("R2", "aft")])
def test_alder_has_the_cabin_doors_of_the_design(demo: Config, name: str, half: str) -> None:
    door = _door(demo, name)
    assert dataclasses.replace(door, name="", side=None, station=0, signals=frozenset()) == DoorType(
        name="",
        kind=DoorKind.CABIN,
        side=None,
        station=0,
        half=half,
        sill_m=3.4,
        leaf_area_m2=1.9,
        signals=frozenset(),
        slide=True,
        exit_type="C",
        wind_moved_kt=40,
        wind_held_kt=50,
        slide_bottle_bar_min=170,
        assist_bottle_bar_min=90,
    )


@pytest.mark.parametrize("name", ["OL1", "OR1"])
def test_alder_has_the_overwing_hatches_of_the_design(demo: Config, name: str) -> None:
    door = _door(demo, name)
    assert (door.exit_type, door.slide, door.slide_bottle_bar_min) == ("III", True, 170)
    assert (door.wind_moved_kt, door.wind_held_kt, door.assist_bottle_bar_min) == (None, None, None)


def test_alder_has_the_hold_doors_of_the_design(demo: Config) -> None:
    for name in ("CF", "CA"):
        door = _door(demo, name)
        limits = (door.sill_m, door.wind_moved_kt, door.wind_held_kt, door.actuator_bar_min)
        assert limits == (2.5, 35, 50, 120)
        assert (door.slide, door.exit_type) == (False, None)
    bulk = _door(demo, "CB")
    assert (bulk.sill_m, bulk.wind_moved_kt, bulk.wind_held_kt, bulk.actuator_bar_min) == (2.5, None, None, None)


def test_the_demo_site_is_the_one_of_the_design(demo: Config) -> None:
    site = demo.site
    assert (site.name, site.elevation_m, site.visiting) == ("tarnwick", 210, True)
    assert site.stands == ("S11", "S12", "S13", "S14", "S15", "S16")


def test_the_five_types_span_the_trade_and_differ(demo: Config) -> None:
    types = demo.site.types
    assert set(types) == {"alder", "birch", "hazel", "cedar", "larch"}
    assert {door.kind for airframe in types.values() for door in airframe.doors.values()} == set(DoorKind)
    assert types["birch"].doors["L1"].kind is DoorKind.AIRSTAIR
    assert sum(door.exit_type == "A" and door.slide for door in types["cedar"].doors.values()) == 8
    assert DoorKind.MAIN_DECK in {door.kind for door in types["larch"].doors.values()}
    assert not any(door.slide for door in types["hazel"].doors.values())
    cabin = [door for airframe in types.values() for door in airframe.doors.values() if door.kind is DoorKind.CABIN]
    assert {"hold_open" in door.signals for door in cabin} == {True, False}
    assert {"assist_bottle_bar" in door.signals for door in cabin} == {True, False}
    assert {"girt_left" in door.signals for door in cabin if door.slide} == {True, False}


@pytest.mark.parametrize("name", ["alder", "cedar", "hazel"])
def test_a_type_with_main_doors_fore_and_aft_can_meet_the_default_refuelling_policy(demo: Config, name: str) -> None:
    """At least two floor-level exits, one in each half (design, section 8)."""
    assert {door.half for door in demo.site.types[name].doors.values() if is_floor_level(door)} == {"fore", "aft"}


def test_a_minimal_file_takes_every_default_that_the_demo_spells_out(minimal: Path, demo: Config) -> None:
    config = load(minimal)
    assert config.site.timezone == "UTC"
    assert config.site.visiting is True
    assert config.site.types == demo.site.types
    for section in ("broker", "http", "data", "alerts"):
        assert getattr(config, section) == getattr(demo, section)
    assert (config.broker.host, config.broker.port, config.broker.tls) == ("127.0.0.1", 1883, False)
    assert config.broker.instance == config.broker.client_id == "sillwatch-tarnwick"


def test_a_warning_has_to_be_on_a_screen_within_3_s_unless_that_is_turned_off(minimal: Path, demo: Config) -> None:
    assert load(minimal).alerts.on_screen_within_s == demo.alerts.on_screen_within_s == 3
    minimal.write_text(MINIMAL + "alerts: {on_screen_within_s: 0}\n")
    assert load(minimal).alerts.on_screen_within_s == 0
    minimal.write_text(MINIMAL + "alerts: {on_screen_within_s: 7.5}\n")
    assert load(minimal).alerts.on_screen_within_s == 7.5


def test_the_chain_of_escalation_reaches_the_site(minimal: Path, demo: Config) -> None:
    assert load(minimal).site.escalation == demo.site.escalation == ("door team", "coordinator", "ops")
    minimal.write_text(MINIMAL + "alerts: {escalation: [coordinator, ops]}\n")
    assert load(minimal).site.escalation == ("coordinator", "ops")
    minimal.write_text(MINIMAL + "alerts: {escalation: []}\n")
    assert load(minimal).site.escalation == ()


def test_the_configuration_is_frozen(demo: Config) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        demo.site = demo.site  # type: ignore[misc]
    with pytest.raises(ValueError, match="frozen"):
        demo.http.port = 1  # type: ignore[misc]


def test_a_flag_wins_over_the_environment_over_the_file_over_the_default(
    minimal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert load(minimal).http.port == 8080
    minimal.write_text(MINIMAL + "http: {port: 8001}\n")
    assert load(minimal).http.port == 8001
    monkeypatch.setenv("SILLWATCH_HTTP__PORT", "8002")
    assert load(minimal).http.port == 8002
    assert load(minimal, overrides={"http.port": 8003}).http.port == 8003
    assert load(minimal, overrides={"http.port": None}).http.port == 8002


def test_the_sources_are_merged_key_by_key(minimal: Path) -> None:
    minimal.write_text(MINIMAL + "broker: {url: 'mqtt://one:1', keepalive_s: 33, outgoing_max: 7}\n")
    environment = {"SILLWATCH_BROKER__URL": "mqtt://two:2", "SILLWATCH_BROKER__OUTGOING_MAX": "8"}
    broker = load(minimal, environment=environment, overrides={"broker": "mqtts://three"}).broker
    assert (broker.host, broker.port, broker.tls) == ("three", 8883, True)
    assert (broker.keepalive_s, broker.outgoing_max) == (33, 8)


def test_every_form_of_value_can_be_set_by_the_environment(minimal: Path) -> None:
    config = load(
        minimal,
        environment={
            "SILLWATCH_SITE__ELEVATION_M": "12.5",
            "SILLWATCH_SITE__VISITING": "false",
            "SILLWATCH_SITE__TIMEZONE": "Etc/GMT-1",
            "SILLWATCH_SITE__STANDS": '["A1", "A2"]',
            "SILLWATCH_SITE__AIRCRAFT": '{"XX-ABC": "alder", "XX-DEF": null}',
            "SILLWATCH_THRESHOLDS": '{"residual-pressure": {"limit_hpa": 3}}',
            "SILLWATCH_BROKER__PROTOCOL": "5",
            "SILLWATCH_BROKER__USER": "1234",
            "SILLWATCH_BROKER__PASSWORD_FILE": "secret.txt",
            "SILLWATCH_DATA__DIRECTORY": "/var/lib/somewhere",
        },
    )
    assert (config.site.elevation_m, config.site.visiting, config.site.stands) == (12.5, False, ("A1", "A2"))
    assert config.site.timezone == "Etc/GMT-1"
    assert config.site.aircraft == {"XX-ABC": "alder", "XX-DEF": None}
    assert config.site.thresholds == {"residual-pressure": {"limit_hpa": 3}}
    assert (config.broker.protocol, config.broker.user) == ("5", "1234")
    assert config.broker.password_file == Path("secret.txt")
    assert config.data.directory == Path("/var/lib/somewhere")


def test_the_files_of_http_count_from_the_file_that_names_them(minimal: Path) -> None:
    oidc = "{issuer: 'https://a.example', client_id: b, client_secret_file: c.secret, roles: {apron: viewer}}"
    minimal.write_text(
        MINIMAL
        + "http:\n  public_url: https://board.example\n  tls_cert_file: board.pem\n  tls_key_file: /etc/board.key\n"
        + f"  oidc: {oidc}\n"
    )
    http = load(minimal).http
    assert (http.tls_cert_file, http.tls_key_file) == (minimal.parent / "board.pem", Path("/etc/board.key"))
    assert http.oidc is not None
    assert http.oidc.client_secret_file == minimal.parent / "c.secret"
    assert load(minimal, environment={"SILLWATCH_HTTP__TLS_CERT_FILE": "x"}).http.tls_cert_file == Path("x")


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        *(("127.0.0.1:9000", "127.0.0.1", 9000), ("[::1]:9000", "::1", 9000), ("localhost:0", "localhost", 0)),
        *(("0.0.0.0:80", "0.0.0.0", 80), ("board.example:8080", "board.example", 8080)),
    ],
)
def test_http_is_given_as_host_and_port_by_flag_and_by_variable(minimal: Path, text: str, host: str, port: int) -> None:
    for http in (
        load(minimal, overrides={"http": text}).http,
        load(minimal, environment={"SILLWATCH_HTTP": text}).http,
    ):
        assert (http.host, http.port) == (host, port)


def test_broker_and_data_are_given_by_variable_as_by_flag(minimal: Path) -> None:
    config = load(minimal, environment={"SILLWATCH_BROKER": "mqtt://there:1884", "SILLWATCH_DATA": "kept"})
    assert (config.broker.host, config.broker.port, config.data.directory) == ("there", 1884, Path("kept"))


def test_variables_that_an_orchestrator_sets_for_a_service_of_our_name_are_left_alone(minimal: Path) -> None:
    environment = {
        "SILLWATCH_PORT": "tcp://10.0.0.1:8080",
        "SILLWATCH_PORT_8080_TCP_ADDR": "10.0.0.1",
        "SILLWATCH_SERVICE_HOST": "10.0.0.1",
        "SILLWATCH_SERVICE_PORT_HTTP": "8080",
        "SILLWATCH_CONFIG": "site.yaml",
    }
    assert load(minimal, environment=environment) == load(minimal)


def test_paths_in_the_file_count_from_the_file(minimal: Path) -> None:
    files = {
        "password_file": "secret.txt",
        "ca_file": "ca.pem",
        "cert_file": "monitor.pem",
        "key_file": "keys/monitor.key",
    }
    written = ", ".join(f"{key}: {name}" for key, name in files.items())
    minimal.write_text(MINIMAL + f"broker: {{user: door, {written}, url: 'mqtts://h'}}\n")
    broker = load(minimal).broker
    assert {key: getattr(broker, key) for key in files} == {key: minimal.parent / name for key, name in files.items()}


def test_own_types_are_found_beside_the_file_and_win_over_shipped_ones(minimal: Path) -> None:
    folder = minimal.parent / "mine"
    folder.mkdir()
    alder = (CONFIG / "types" / "alder.yaml").read_text()
    (folder / "oak.yaml").write_text(alder.replace("name: alder", "name: oak").replace("seats: 144", "seats: 120"))
    (minimal.parent / "alder.yml").write_text(alder.replace("seats: 144", "seats: 99"))
    minimal.write_text(MINIMAL + "types: [mine, alder.yml, mine/oak.yaml]\n")
    types = load(minimal).site.types
    assert types["oak"].seats == 120
    assert types["alder"].seats == 99
    assert len(types) == 6


def test_thresholds_are_kept_at_three_levels(minimal: Path) -> None:
    alder = (CONFIG / "types" / "alder.yaml").read_text().replace("name: alder", "name: oak")
    alder += "thresholds: {wind-limit: {hold_s: 3}}\n"
    alder = alder.replace("{name: L1, kind: cabin,", "{name: L1, thresholds: {wind-limit: {hold_s: 4}}, kind: cabin,")
    (minimal.parent / "oak.yaml").write_text(alder)
    minimal.write_text(MINIMAL + "types: [oak.yaml]\nthresholds: {wind-limit: {hold_s: 2}}\n")
    site = load(minimal, known={"wind-limit": {"hold_s": 2.0}}).site
    oak = site.types["oak"]
    levels = (site.thresholds, oak.thresholds, oak.doors["L1"].thresholds, oak.doors["R1"].thresholds)
    assert levels == ({"wind-limit": {"hold_s": 2}}, {"wind-limit": {"hold_s": 3}}, {"wind-limit": {"hold_s": 4}}, {})


def test_words_that_older_yaml_took_for_truth_values_or_times_stay_words(minimal: Path) -> None:
    minimal.write_text("site: {name: on, elevation_m: 2.5e2, stands: [no, Yes, y, 2026-01-01]}\n")
    site = load(minimal).site
    assert (site.name, site.elevation_m, site.stands) == ("on", 250, ("no", "Yes", "y", "2026-01-01"))


@pytest.mark.parametrize("installed", [False, True])
def test_the_shipped_configuration_is_found_in_a_checkout_and_in_a_wheel(tmp_path: Path, installed: bool) -> None:
    package = tmp_path / "monitor"
    package.mkdir()
    with pytest.raises(FileNotFoundError, match="install it again"):
        default_config_path(package)
    other = tmp_path / "config"
    other.mkdir()
    (other / "demo.yaml").touch()
    folder = other
    if installed:
        # Another package's `config` may stand beside ours in site-packages: ours is looked at first.
        folder = package / "_config"
        folder.mkdir()
        (folder / "demo.yaml").touch()
    assert config_folder(package) == folder
    assert default_config_path(package) == folder / "demo.yaml"
    assert builtin_types_folder(package) == folder / "types"


def test_this_checkout_reads_its_own_files() -> None:
    assert default_config_path() == CONFIG / "demo.yaml"


def _as_json(path: Path) -> object:
    return json.loads(json.dumps(yaml.safe_load(path.read_text())))


SHIPPED = [
    ("site", CONFIG / "demo.yaml"),
    *(("type", path) for path in sorted((CONFIG / "types").glob("*.yaml"))),
    *(("procedure", path) for path in sorted((CONFIG / "procedures").glob("*.yaml"))),
]


@pytest.mark.parametrize(("schema", "path"), SHIPPED, ids=lambda value: getattr(value, "stem", value))
def test_shipped_files_validate_against_the_schema_that_their_first_line_names(schema: str, path: Path) -> None:
    first = path.read_text().splitlines()[0]
    named = path.parent / first.removeprefix("# yaml-language-server: $schema=")
    assert named.resolve() == CONFIG / "schema" / f"{schema}.schema.json"
    validator_for(json.loads(named.read_text())).validate(_as_json(path))


@pytest.mark.parametrize("name", ["site", "type", "procedure"])
def test_the_schemas_in_the_tree_are_current(name: str, tmp_path: Path) -> None:
    schema = json_schemas()[name]
    validator_for(schema)
    assert (CONFIG / "schema" / f"{name}.schema.json").read_text() == encode_schema(schema), (
        "run: python -m monitor.config --write-schemas"
    )
    assert [path.name for path in write_schemas(tmp_path)] == [
        "site.schema.json",
        "type.schema.json",
        "procedure.schema.json",
    ]


def test_a_schema_refuses_what_the_loader_refuses() -> None:
    validator = validator_for(json_schemas()["type"])
    alder = _as_json(CONFIG / "types" / "alder.yaml")
    assert isinstance(alder, dict)
    alder["kinds"]["cabin"]["signals"][0] = "closd"
    alder["seat"] = 4
    assert {error.validator for error in validator.iter_errors(alder)} >= {"additionalProperties", "anyOf"}


def test_every_key_has_a_description() -> None:
    for schema in json_schemas().values():
        models = {"": schema, **schema["$defs"]}
        bare = [(model, key) for model, of in models.items() for key, value in of.get("properties", {}).items()
                if "description" not in value]  # fmt: skip
        assert bare == []


@pytest.mark.parametrize("path", [path for kind, path in SHIPPED if kind == "type"], ids=lambda path: path.stem)
def test_a_shipped_type_is_named_as_its_file(path: Path) -> None:
    airframe = read_type(path)
    assert isinstance(airframe, AirframeType)
    assert airframe.name == path.stem


def test_check_returns_what_load_raises(minimal: Path) -> None:
    assert check(minimal) == ()
    minimal.write_text("site: {name: tarnwick}\n")
    problems = check(minimal)
    with pytest.raises(ConfigError) as caught:
        load(minimal)
    assert caught.value.problems == problems
    assert str(caught.value).splitlines() == [str(problem) for problem in problems]
    assert len(problems) == 2
