"""What Prometheus is told."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Histogram

# From an answer out of the page cache to a nominal of 4 GB over a slow line.
DURATION_BUCKETS_S = (0.01, 0.05, 0.2, 1, 5, 20, 60, 300, 1200)


class Metrics:
    """Counters of one application, in a registry of its own, so that two can live in one process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "firstpour_http_requests", "Requests answered", ("method", "route", "status"), registry=self.registry
        )
        self.durations_s = Histogram(
            "firstpour_http_request_seconds",
            "Time from the first byte of a request to the last byte of its answer",
            ("method", "route"),
            buckets=DURATION_BUCKETS_S,
            registry=self.registry,
        )
        self.upload_bytes = Counter(
            "firstpour_upload_bytes", "Bytes of files received", ("way",), registry=self.registry
        )
