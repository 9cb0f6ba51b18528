"""A fleet and its history to flat dates with their certainty."""

from __future__ import annotations

from tripplan.forecast.document import outlook_to_json
from tripplan.forecast.fleet_forecast import forecast_fleet
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast

__all__ = ["Basis", "Outlook", "Renewal", "SiteForecast", "forecast_fleet", "outlook_to_json"]
