"""The numbers of each chemistry, and where each comes from."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from tripplan.fleet import Chemistry
from tripplan.forecast.cell_numbers import Battery

__all__ = ["BATTERIES"]

_SHEET = "maker's sheet, sealed 12 V 40 Ah"
_ASSUMED = "assumption"
_MEMORY = "from memory"

BATTERIES: Mapping[Chemistry, Battery] = MappingProxyType(
    {
        Chemistry.SEALED_LEAD_ACID: Battery(
            temps_c=(-40.0, -30.0, -20.0, -15.0, -10.0, 0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
            capacity_shares=(
                *(0.25, 0.38, 0.53, 0.65, 0.74, 0.84, 0.88, 0.90, 0.94, 0.99, 1.0, 1.03, 1.04, 1.05),
            ),
            cold_sd=0.15,
            self_discharge_per_month=0.03,
            doubling_c=10.0,
            peukert_k=1.10,
            rated_hours=20.0,
            usual_health=0.88,
            health_sd=0.12,
            fade_per_year=0.032,
            fade_per_cycle=0.0018,
            empty_volts_per_cell=1.75,
            nominal_volts_per_cell=2.0,
            soc_reading_sd=0.13,
            rested_charges=(0.0, 0.25, 0.50, 0.75, 1.0),
            rested_volts_per_cell=(1.967, 2.004, 2.043, 2.084, 2.126),
            charge_from_c=-20.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": f"{_SHEET} (30, 25, 10, -10 C) and a maker's table of adjustments "
                    f"for more than 60 min (0 to 40 C); -15 C {_MEMORY}; below: {_ASSUMED}, between that and "
                    "the factors of IEEE Std 485 (standby cells, fitted and extrapolated)",
                    "cold_sd": "at -10 C makers' sheets lose 26 %, IEEE Std 485 (for standby cells) 41 %: "
                    f"taken as three spreads apart, {_ASSUMED}",
                    "self_discharge_per_month": "handbook of a power-electronics maker, sec. 2.5.10: calcium "
                    "grids 3 %/month at 20 C, 1.5 at 10 C",
                    "doubling_c": "the same",
                    "peukert_k": "makers' pages: 1.05 to 1.15 for sealed cells",
                    "rated_hours": "JIS C 8702-1 (quoted)",
                    "usual_health": f"{_ASSUMED}: between new and the 80 % at which IEEE Std 1188 retires",
                    "health_sd": f"{_ASSUMED}: 70 to 105 % covers nearly all packs in use",
                    "fade_per_year": f"{_SHEET}: 6 to 8 years at 25 C to 80 %",
                    "fade_per_cycle": f"{_SHEET}: 200 full cycles, taken as to 70 %",
                    "empty_volts_per_cell": _SHEET,
                    "nominal_volts_per_cell": "definition",
                    "rested_volts_per_cell": "mean of a maker's manual (2017, p. 57: 12.7 to 11.9 V) and the "
                    "rule of density plus 0.845 V per cell (12.66 to 11.79 V)",
                    "soc_reading_sd": "tables of resting voltage disagree by 10 to 20 % of charge",
                    "charge_from_c": f"{_ASSUMED}; a frozen pack is never charged (US Army OD1002)",
                }
            ),
        ),
        Chemistry.LITHIUM_IRON_PHOSPHATE: Battery(
            temps_c=(-40.0, -30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.10, 0.45, 0.70, 0.85, 1.0, 1.0),
            cold_sd=0.30,
            self_discharge_per_month=0.025,
            doubling_c=10.0,
            peukert_k=1.02,
            rated_hours=5.0,
            usual_health=0.94,
            health_sd=0.07,
            fade_per_year=0.02,
            fade_per_cycle=0.0001,
            empty_volts_per_cell=2.5,
            nominal_volts_per_cell=3.2,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=0.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": "makers' pages: 0.80 or 0.90 at 0 C, 0.70 at -20 C; "
                    f"below -20 C, the limit for discharge: {_ASSUMED}",
                    "cold_sd": "makers' pages: 10 or 20 % lost at 0 C",
                    "self_discharge_per_month": f"2 to 3 %/month, {_MEMORY}",
                    "doubling_c": f"{_ASSUMED}, the ten-degree rule",
                    "peukert_k": _MEMORY,
                    "rated_hours": _MEMORY,
                    "usual_health": _ASSUMED,
                    "health_sd": _ASSUMED,
                    "fade_per_year": _MEMORY,
                    "fade_per_cycle": f"2000 cycles to 80 %, {_MEMORY}",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "makers' pages",
                    "soc_reading_sd": f"volts say nothing between 20 and 90 %, {_MEMORY}",
                    "charge_from_c": "makers' pages: no charging below 0 C (plating)",
                }
            ),
        ),
        Chemistry.LITHIUM_IRON_DISULFIDE: Battery(
            temps_c=(-40.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.55, 0.87, 0.96, 1.0, 1.0),
            cold_sd=0.20,
            self_discharge_per_month=0.0006,
            doubling_c=10.0,
            peukert_k=1.02,
            rated_hours=100.0,
            usual_health=0.98,
            health_sd=0.05,
            fade_per_year=0.0,
            fade_per_cycle=0.0,
            empty_volts_per_cell=0.9,
            nominal_volts_per_cell=1.5,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=float("inf"),
            sources=MappingProxyType(
                {
                    "capacity_shares": f"85 to 90 % at -20 C, 50 to 60 % at -40 C at a low drain, {_MEMORY}; "
                    "range -40 to 60 C: maker's manual",
                    "cold_sd": _ASSUMED,
                    "self_discharge_per_month": "90 % after 15 years at 21 C (users' reports)",
                    "doubling_c": f"{_ASSUMED}, the ten-degree rule",
                    "peukert_k": "nearly flat with drain: maker's manual",
                    "rated_hours": _ASSUMED,
                    "usual_health": f"{_ASSUMED}: a fresh primary cell",
                    "health_sd": _ASSUMED,
                    "fade_per_year": "primary cell, its loss is the self-discharge",
                    "fade_per_cycle": "primary cell",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "IEC 60086-2, FR6 (quoted)",
                    "soc_reading_sd": "flat, then a sudden end: voltage tells little",
                    "charge_from_c": "primary cell: never charged",
                }
            ),
        ),
        Chemistry.ALKALINE: Battery(
            temps_c=(-30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.0, 0.48, 0.80, 1.0, 1.0),
            cold_sd=0.20,
            self_discharge_per_month=0.0033,
            doubling_c=7.0,
            peukert_k=1.15,
            rated_hours=100.0,
            usual_health=0.95,
            health_sd=0.08,
            fade_per_year=0.0,
            fade_per_cycle=0.0,
            empty_volts_per_cell=0.9,
            nominal_volts_per_cell=1.5,
            soc_reading_sd=0.15,
            rested_charges=(0.0, 0.25, 0.50, 0.75, 1.0),
            rested_volts_per_cell=(1.10, 1.22, 1.30, 1.39, 1.58),
            charge_from_c=float("inf"),
            sources=MappingProxyType(
                {
                    "capacity_shares": "1200 of 2500 mAh at -20 C, no use at -30 C (makers' pages); "
                    f"0 C: {_ASSUMED}",
                    "cold_sd": _ASSUMED,
                    "self_discharge_per_month": "85 % after 4 years at 21 C",
                    "doubling_c": "2 %/year at 21 C, 5 at 29, 25 at 38 C",
                    "peukert_k": "2500 to 2850 mAh at 25 mA, under 1000 at 1 A: 1.2 to 1.3 over all; "
                    "fitted for low drains",
                    "rated_hours": "25 mA from 2500 mAh",
                    "usual_health": f"{_ASSUMED}: a fresh primary cell",
                    "health_sd": _ASSUMED,
                    "fade_per_year": "primary cell, its loss is the self-discharge",
                    "fade_per_cycle": "primary cell",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "IEC 60086-2, LR6 (quoted)",
                    "rested_volts_per_cell": f"sloping discharge, {_MEMORY}",
                    "soc_reading_sd": f"sloping discharge; spread {_ASSUMED}",
                    "charge_from_c": "primary cell: never charged",
                }
            ),
        ),
        Chemistry.NICKEL_METAL_HYDRIDE: Battery(
            temps_c=(-30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.2, 0.50, 0.85, 1.0, 0.97),
            cold_sd=0.20,
            self_discharge_per_month=0.017,
            doubling_c=10.0,
            peukert_k=1.05,
            rated_hours=5.0,
            usual_health=0.92,
            health_sd=0.08,
            fade_per_year=0.04,
            fade_per_cycle=0.0004,
            empty_volts_per_cell=1.0,
            nominal_volts_per_cell=1.2,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=0.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": f"about 50 % at -20 C, {_MEMORY}; the rest {_ASSUMED}",
                    "cold_sd": _ASSUMED,
                    "self_discharge_per_month": "low self-discharge: 90 % at 6 months, 85 at 12 (makers); "
                    "standard cells lose 15 %/month and more: set it for them",
                    "doubling_c": "three times faster at 40 than at 20 C",
                    "peukert_k": _MEMORY,
                    "rated_hours": "IEC 61951-2 (quoted)",
                    "usual_health": _ASSUMED,
                    "health_sd": _ASSUMED,
                    "fade_per_year": _ASSUMED,
                    "fade_per_cycle": f"500 cycles to 80 %, {_MEMORY}",
                    "empty_volts_per_cell": "IEC 61951-2 (quoted)",
                    "nominal_volts_per_cell": "definition",
                    "soc_reading_sd": "voltage-based warning does not work for this chemistry",
                    "charge_from_c": "makers' pages: charge from 0 to 40 C",
                }
            ),
        ),
    }
)
