"""A receiver's day without a network in a real browser, against a real server process, both killed meanwhile.

A small day; `script/trial day` lives through a large one.
"""

import pytest
from django.db import connection

from tests.conftest import chromium_path
from tests.trial.day import Size, day

pytestmark = pytest.mark.django_db(transaction=True)
SMALL = Size(scans=24, pieces=5, photos=8, browser_kills=3, server_kills=2)


def test_everything_made_without_a_network_arrives_once_though_browser_and_server_are_killed(browser, tmp_path):
    with day(connection, tmp_path, browser.browser_type, chromium_path(), SMALL, seed=1) as lived:
        assert lived.wrong == []
        assert lived.figures["looks"] > 15
        assert (lived.figures["browser killed"], lived.figures["server killed"]) == (3, 2)
        assert lived.figures["scan: stored"] >= 24
        assert lived.figures["piece: stored"] + lived.figures["set aside: stored"] == 5
        assert lived.figures["photo: stored"] == 8
