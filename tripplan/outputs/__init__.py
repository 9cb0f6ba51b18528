"""A plan to map, checklist, load list, GPX, iCalendar and GeoJSON."""
