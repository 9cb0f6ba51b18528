"""The short text of results once more, written from its description alone, to test the page's writer and the reader."""

from __future__ import annotations

import zlib

FIELDS = (
    "when",
    "found",
    "cause",
    "done",
    "pack_out",
    "volts_out",
    "pack_in",
    "volts_in",
    "minutes",
    "notes",
)


def coded(value) -> str:
    text = " ".join(str(value).split())
    out = []
    for k, sign in enumerate(text):
        before, after = text[k - 1 : k], text[k + 1 : k + 2]
        plain = before.isascii() and before.isalnum() and after.isascii() and after.isalnum()
        if sign.isascii() and sign.isalnum():
            out.append(sign)
        elif sign == " ":
            out.append("_")
        elif (sign in ".,+-" and plain) or (sign == ":" and plain and before.isdigit() and after.isdigit()):
            out.append(sign)
        else:
            out += [f"%{byte:02X}" for byte in sign.encode("utf-8", "replace")]
    return "".join(out)


def check_sum(fields: str) -> str:
    return f"{zlib.crc32(fields.encode()):08x}"[:4]


def framed(fields: list[str]) -> str:
    sending = check_sum("".join(fields))
    return "\n".join(
        f"tripplan {k}of{len(fields)}={sending}: {one.replace(';', '; ')}#{check_sum(one)}"
        for k, one in enumerate(fields, 1)
    )


def results_text(results) -> str:
    def part(name, value):
        return "" if value in {None, ""} else f"{name}={coded(value)};"

    fields = [
        part("trip", results["trip_id"])
        + part("by", results["by"])
        + part("visits", len(results["visits"]) or "0")
    ]
    fields += [
        part("site", visit["site_id"])
        + "".join(part(name, visit[name]) for name in FIELDS)
        + "".join(part("job", job) for job in visit.get("jobs_done") or ())
        + ("polarity=yes;" if visit.get("polarity") else "")
        for visit in results["visits"]
    ]
    return framed(fields)
