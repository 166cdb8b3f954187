"""What a feed sends, when, and how its sensors fail."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import orjson

from monitor.core.signals import Value
from simulators.feed import Anemometer, Feed
from simulators.publication import Publication

SECOND = 1_000_000
PICTURE: Mapping[str, Value] = {
    "airframe/type": "alder",
    "airframe/beacon": False,
    "airframe/differential_pressure_hpa": 0.0,
    "door/L1/closed": True,
    "door/L1/travel": 0.0,
}


def live(feed: Feed, seconds: float, *, begin: float = 0.0, shown: Mapping[str, Value] = PICTURE) -> list[Publication]:
    sent = []
    for tick in range(round(begin * 10), round((begin + seconds) * 10)):
        sent += feed.publish(tick * SECOND // 10, shown)
    return sent


def of(sent: list[Publication], key: str) -> list[Publication]:
    return [publication for publication in sent if publication.topic == f"x/{key}"]


def value(publication: Publication) -> object:
    return orjson.loads(publication.payload)["value"]


def a_feed(*, bundles: bool = False) -> Feed:
    return Feed("x", bundles=bundles, first_beat_us=0)


def test_everything_is_sent_at_the_start_with_the_type_last() -> None:
    sent = a_feed().publish(0, PICTURE)
    assert {publication.topic for publication in sent} >= {f"x/{key}" for key in PICTURE}
    assert [p.topic for p in sent if "heartbeat" not in p.topic][-1] == "x/airframe/type"


def test_a_discrete_is_sent_once_and_again_when_it_changes() -> None:
    feed = a_feed()
    assert len(of(live(feed, 60.0), "door/L1/closed")) == 1
    changed = of(live(feed, 10.0, begin=60.0, shown=PICTURE | {"door/L1/closed": False}), "door/L1/closed")
    assert [value(publication) for publication in changed] == [False]
    assert orjson.loads(changed[0].payload)["seq"] == 2


def test_the_heartbeat_counts_up_at_least_every_ten_seconds_and_is_not_retained() -> None:
    beats = of(live(a_feed(), 120.0), "airframe/heartbeat")
    assert [value(beat) for beat in beats] == list(range(1, len(beats) + 1))
    assert all(now.at_us - before.at_us <= 10 * SECOND for before, now in itertools.pairwise(beats))
    assert not any(beat.retain for beat in beats)
    assert len(beats) == 24


def test_pressure_is_refreshed_though_it_does_not_change_and_is_retained() -> None:
    pressures = of(live(a_feed(), 60.0), "airframe/differential_pressure_hpa")
    assert all(now.at_us - before.at_us <= 10 * SECOND for before, now in itertools.pairwise(pressures))
    assert len(pressures) > 10
    assert all(publication.retain for publication in pressures)


def test_what_moves_smoothly_is_thinned_but_ends_are_told_at_once() -> None:
    feed, sent = a_feed(), []
    for tick in range(11):
        sent += feed.publish(tick * SECOND // 10, PICTURE | {"door/L1/travel": tick / 10})
    travels = [value(publication) for publication in of(sent, "door/L1/travel")]
    assert travels == [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]


def test_what_was_thinned_is_still_told_when_it_stops_changing() -> None:
    feed = a_feed()
    feed.publish(0, PICTURE | {"door/L1/travel": 0.1})
    assert not of(feed.publish(SECOND // 10, {"door/L1/travel": 0.15}), "door/L1/travel")
    assert [value(p) for p in of(feed.publish(3 * SECOND // 10, {}), "door/L1/travel")] == [0.15]


def test_changes_of_one_instant_are_told_in_an_order_that_a_door_could_have() -> None:
    closed = {"door/L1/closed": True, "door/L1/latched": True, "door/L1/locked": True, "door/L1/handle_lifted": False}
    opened: dict[str, Value] = {key: not shown for key, shown in closed.items()}
    feed = a_feed()
    feed.publish(0, closed)
    away = [p.topic.rpartition("/")[2] for p in feed.publish(SECOND, opened)]
    back = [p.topic.rpartition("/")[2] for p in feed.publish(2 * SECOND, closed)]
    assert away == ["handle_lifted", "locked", "latched", "closed"]
    assert back == ["closed", "latched", "locked", "handle_lifted"]


def test_a_silent_feed_sends_nothing_and_then_everything() -> None:
    feed = a_feed()
    live(feed, 10.0)
    feed.fall_silent()
    assert live(feed, 60.0, begin=10.0) == []
    feed.speak_again()
    back = live(feed, 1.0, begin=70.0)
    assert {publication.topic for publication in back} >= {f"x/{key}" for key in PICTURE}
    assert [value(beat) for beat in of(back, "airframe/heartbeat")] == [3]


def test_a_falsified_sensor_shows_what_it_was_told_until_released() -> None:
    feed = a_feed()
    live(feed, 1.0)
    feed.falsify("door/L1/closed", False)
    feed.mark("airframe/beacon", "bad")
    wrong = live(feed, 1.0, begin=1.0)
    assert [value(publication) for publication in of(wrong, "door/L1/closed")] == [False]
    assert [orjson.loads(p.payload)["quality"] for p in of(wrong, "airframe/beacon")] == ["bad"]
    assert feed.disturbed
    feed.release("door/L1/closed")
    feed.release("airframe/beacon")
    right = live(feed, 1.0, begin=2.0)
    assert [value(publication) for publication in of(right, "door/L1/closed")] == [True]
    assert [orjson.loads(p.payload)["quality"] for p in of(right, "airframe/beacon")] == ["good"]
    assert not feed.disturbed


def test_every_envelope_is_stamped_numbered_and_says_that_it_is_simulated() -> None:
    for feed in (a_feed(), a_feed(bundles=True)):
        seqs: dict[str, int] = {}
        for publication in live(feed, 30.0):
            body = orjson.loads(publication.payload)
            assert body["simulated"] is True
            assert body["time"].endswith("Z")
            assert body["seq"] == seqs.get(publication.topic, 0) + 1
            seqs[publication.topic] = body["seq"]


def test_a_bundling_aircraft_sends_changes_together_and_a_whole_picture_now_and_then() -> None:
    feed = a_feed(bundles=True)
    sent = live(feed, 60.0)
    bundles = of(sent, "bundle")
    assert not any(publication.retain for publication in sent)
    assert {publication.topic for publication in sent} == {"x/bundle", "x/airframe/heartbeat"}
    whole = [p.at_us for p in bundles if len(orjson.loads(p.payload)["readings"]) == len(PICTURE)]
    assert whole[0] == 0
    assert all(now - before <= 30 * SECOND for before, now in itertools.pairwise(whole))
    assert len(whole) == 3
    feed.mark("door/L1/closed", "bad")
    changed = PICTURE | {"door/L1/closed": False, "airframe/beacon": True}
    body = orjson.loads(of(live(feed, 0.1, begin=60.1, shown=changed), "bundle")[0].payload)
    assert body["readings"]["door/L1/closed"] == {"value": False, "quality": "bad"}
    assert body["readings"]["airframe/beacon"] is True


def test_the_wind_is_refreshed_within_ten_seconds() -> None:
    meter, sent = Anemometer("x", first_us=0), []
    for tick in range(600):
        sent += meter.publish(tick * SECOND // 10, {"wind_kt": 9.0, "gust_kt": 12.0, "wind_from_deg": 240.0})
    winds = of(sent, "wind_kt")
    assert all(now.at_us - before.at_us <= 10 * SECOND for before, now in itertools.pairwise(winds))
    assert len(winds) == 15
    assert len(sent) == 45


def test_a_withheld_reading_is_not_sent_until_it_is_released() -> None:
    feed = a_feed()
    live(feed, 1.0)
    feed.withhold("airframe/differential_pressure_hpa")
    feed.withhold("door/L1/closed")
    assert feed.disturbed
    feed.owe_picture()
    quiet = live(feed, 20.0, begin=1.0, shown={**PICTURE, "door/L1/closed": False})
    assert of(quiet, "airframe/differential_pressure_hpa") == []
    assert of(quiet, "door/L1/closed") == []
    assert of(quiet, "airframe/beacon")
    feed.release("airframe/differential_pressure_hpa")
    feed.release("door/L1/closed")
    again = live(feed, 1.0, begin=21.0, shown={**PICTURE, "door/L1/closed": False})
    assert [value(sent) for sent in of(again, "door/L1/closed")] == [False]
    assert len(of(again, "airframe/differential_pressure_hpa")) == 1


def test_a_shifted_clock_shows_in_the_stamps_alone() -> None:
    feed = a_feed()
    feed.shift_clock(8.0)
    sent = live(feed, 1.0)
    assert {orjson.loads(p.payload)["time"] for p in sent if p.at_us == 0} == {"1970-01-01T00:00:08.000Z"}
    feed.shift_clock(0.0)
    assert not feed.disturbed


def test_a_feed_says_when_it_sends_next_though_nothing_changes() -> None:
    feed = Feed("x", bundles=False, first_beat_us=0, beat_every_us=9 * SECOND, pressure_every_us=13 * SECOND)
    live(feed, 0.1)
    assert feed.next_due_us() == 9 * SECOND
    assert [p.topic for p in feed.publish(9 * SECOND, PICTURE)] == ["x/airframe/heartbeat"]
    assert feed.next_due_us() == 13 * SECOND
