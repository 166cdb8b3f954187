"""The weather of a stand as the aircraft on it meets it: taken, refreshed within 30 s, or not known."""

from __future__ import annotations

from monitor.core import snapshot
from monitor.core.system import System
from monitor.core.view import View
from tests.stories import Story, alder


def view(story: Story) -> View:
    return story.system.view(story.reg, "L1", story.now)


def test_the_larger_of_wind_and_gust_counts() -> None:
    story = alder()
    assert view(story).wind_kt is None
    assert view(story).wind_over(10) is None
    story.send("stand/S12/wind_kt", 22.0)
    assert view(story).wind_kt == 22
    story.send("stand/S12/gust_kt", 35.0)
    assert view(story).wind_kt == 35
    story.send("stand/S12/gust_kt", 20.0)
    assert view(story).wind_kt == 22


def test_another_stand_says_nothing_about_this_one() -> None:
    story = alder()
    story.send("stand/S13/wind_kt", 50.0)
    assert view(story).wind_kt is None


def test_it_counts_for_thirty_seconds_and_no_heartbeat_vouches_for_it() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 22.0, at=10.0)
    story.until(39.999)
    assert view(story).wind_kt == 22
    story.until(40.0)
    assert view(story).wind_kt is None
    story.send("stand/S12/wind_kt", 22.0, at=41.0)
    assert view(story).wind_kt == 22


def test_a_refresh_counts_anew_though_nothing_changed() -> None:
    story = alder()
    for at in (10.0, 30.0, 50.0):
        story.send("stand/S12/wind_kt", 22.0, at=at)
    story.until(79.999)
    assert view(story).wind_kt == 22
    story.until(80.0)
    assert view(story).wind_kt is None


def test_what_is_not_good_is_not_known() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 22.0, quality="uncertain")
    assert view(story).wind_kt is None
    assert view(story).wind_over(10) is None


def test_one_known_over_the_limit_settles_it_whatever_the_other() -> None:
    story = alder()
    story.send("stand/S12/gust_kt", 45.0, at=10.0)
    story.send("stand/S12/wind_kt", 22.0, at=30.0)
    story.until(40.0)  # the gust is 30 s old now
    assert view(story).wind_over(20) is True
    assert view(story).wind_over(40) is None


def test_a_retained_reading_gives_a_value_like_any_other() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 22.0, retain=True)
    assert view(story).wind_kt == 22


def test_a_withdrawn_reading_leaves_the_answer_unknown() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 22.0)
    story.withdraw("stand/S12/wind_kt")
    assert view(story).wind_kt is None
    assert view(story).wind_over(10) is None


def test_the_watch_over_it_outlives_a_restart() -> None:
    story = alder()
    story.send("stand/S12/wind_kt", 22.0, at=10.0)
    story.until(20.0)
    other = System(story.site, snapshot.restore(snapshot.dump(story.system.record)))
    other.advance(story.micros(40.0))
    assert other.view(story.reg, "L1", story.micros(40.0)).wind_kt is None
