"""The running service, as its commands wire it: all of it in one process, or its parts in several."""

from monitor.service.whole import STATUS_STATE, Service, rest_from_garbage

__all__ = ["STATUS_STATE", "Service", "rest_from_garbage"]
