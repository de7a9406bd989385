"""The HTTP service: takes files and requests, hands out states and reports."""
