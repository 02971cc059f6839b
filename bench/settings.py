"""The product's settings with one more address, the bare view that a scan is measured against."""

from config.settings import *  # noqa: F403

ROOT_URLCONF = "bench.urls"
