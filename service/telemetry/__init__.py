"""How we report on ourselves: log lines whose words are declared, and metrics that are."""

from service.telemetry.logs import LEVELS, configure_logging
from service.telemetry.metrics import Metrics

__all__ = ["LEVELS", "Metrics", "configure_logging"]
