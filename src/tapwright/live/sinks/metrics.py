"""OpenMetrics text of everything that runs, for a scraper.

Source: OpenMetrics 1.0. A value that is not certain is absent, never a guess and never an old number.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from tapwright import VERSION
from tapwright.core.reading import Status
from tapwright.live.hub import Hub
from tapwright.live.link import LinkState
from tapwright.live.sinks.recorder import Recorder
from tapwright.live.sinks.stream import Stream

if TYPE_CHECKING:
    from prometheus_client.core import Metric

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


class Metrics:
    """Collects the numbers of hubs, streams and recorder when asked."""

    def __init__(self, hubs: Sequence[Hub], streams: Sequence[Stream], recorder: Recorder | None) -> None:
        self.hubs, self.streams, self.recorder = hubs, streams, recorder

    def text(self) -> bytes:
        """Return the exposition."""
        from prometheus_client.openmetrics.exposition import generate_latest
        from prometheus_client.registry import CollectorRegistry

        registry = CollectorRegistry(auto_describe=False)
        registry.register(self)
        text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
        return text

    def collect(self) -> Iterator[Metric]:
        """Yield the metric families."""
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily

        yield InfoMetricFamily("tapwright", "The running version", value={"version": VERSION})
        value = GaugeMetricFamily("tapwright_reading", "The newest reading, while it is ok and live",
                                  labels=["instrument", "unit", "flags"])
        state = GaugeMetricFamily("tapwright_link_up", "1 while frames arrive", labels=["instrument"])
        link = GaugeMetricFamily("tapwright_link_state", "1 for the state the link is in",
                                 labels=["instrument", "state"])
        age = GaugeMetricFamily("tapwright_reading_age_seconds", "Time since the newest frame", labels=["instrument"],
                                unit="seconds")
        period = GaugeMetricFamily("tapwright_period_seconds", "Usual time between frames", labels=["instrument"],
                                   unit="seconds")
        readings = CounterMetricFamily("tapwright_readings", "Frames received, by the status of their reading",
                                       labels=["instrument", "status"])
        for hub in self.hubs:
            last, age_s, period_s = hub.last, hub.age_s(), hub.period_s
            state.add_metric([hub.name], int(hub.is_live()))
            for each in LinkState:
                link.add_metric([hub.name, each.value], int(hub.link.state is each))
            if age_s is not None:
                age.add_metric([hub.name], age_s)
            if period_s is not None:
                period.add_metric([hub.name], period_s)
            for status, count in hub.received.items():
                readings.add_metric([hub.name, status.value], count)
            if last is not None and hub.is_live() and last.reading.status is Status.OK \
                    and last.reading.value is not None:
                value.add_metric([hub.name, last.reading.unit, last.reading.flags], float(last.reading.value))
        yield from (value, state, link, age, period, readings)
        yield from self._server()

    def _server(self) -> Iterator[Metric]:
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        clients = GaugeMetricFamily("tapwright_stream_clients", "Open event streams", labels=["instrument"])
        dropped = CounterMetricFamily("tapwright_stream_dropped", "Readings passed over for slow clients",
                                      labels=["instrument"])
        for stream in self.streams:
            clients.add_metric([stream.hub.name], len(stream.clients))
            dropped.add_metric([stream.hub.name], stream.dropped)
        yield from (clients, dropped)
        if self.recorder is not None:
            yield CounterMetricFamily("tapwright_recorded_readings", "Readings committed",
                                      value=self.recorder.written)
            yield CounterMetricFamily("tapwright_unrecorded_readings",
                                      "Readings lost to a full memory while recording failed",
                                      value=self.recorder.not_recorded)
