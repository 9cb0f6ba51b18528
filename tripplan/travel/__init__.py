"""Places to minutes and metres, by road and on foot; daylight and access."""
