"""The settings of an instance's feed: what its config says of the broker, and the topics that its words have.

Owns putting the two together, and trying the secret files before anything starts. Never opens a connection.
"""

from __future__ import annotations

import structlog

from monitor import __version__
from monitor.adapters.mqtt_access import read_password, try_tls_files
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.adapters.wire import Wire
from monitor.config import Config
from monitor.config.secret_files import find_unfit_secrets, list_broker_secrets
from monitor.core.times import format_time

_log = structlog.get_logger("sillwatch")


def build_settings(config: Config, wire: Wire, started: int) -> MqttSettings:
    """Build them for a run that ``started`` then (µs); raises :class:`InstanceError` for a file that cannot be used."""
    broker = config.broker
    settings = MqttSettings(
        url=broker.url,
        instance=broker.instance,
        inputs=tuple(wire.input_filters()),
        echoes=(wire.proof_topic,) if config.proof.every_s else (),
        outputs=tuple(wire.output_filters()),
        status_topic=wire.status_topic,
        started=format_time(started),
        online=wire.status_message("online", __version__, started).payload,
        offline=wire.status_message("offline", __version__, started).payload,
        protocol=broker.protocol,
        own_client_id=broker.client_id,
        username=broker.user,
        password=read_password(broker.password_file),
        ca_file=broker.ca_file,
        cert_file=broker.cert_file,
        key_file=broker.key_file,
        keepalive_s=broker.keepalive_s,
        receive_max=broker.in_flight_max,
        backlog_max=broker.outgoing_max,
    )
    try_tls_files(settings)
    for told in find_unfit_secrets(list_broker_secrets(broker)):
        _log.warning(told, action="secret-open")
    return settings
