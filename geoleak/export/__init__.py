"""Exporters: each takes a Result and a path and adds no numbers of its own.

Units are converted here, once, to the site's length unit. `write.write_all` writes the whole
output folder; every other module writes one kind of file.

What a feature is called in its ``properties`` is up to whoever builds the Result; exporters show
what they find. They look for these names and do without those that are missing: ``leg``,
``chainage_m``, ``station``, ``elevation_m`` (ground), ``depth_m`` (crown), ``offset_m``,
``label``, ``code``, ``note``; an interval's ``percent`` (50, 80 or 95), ``from_m``, ``to_m``;
a reading's ``level_db``, ``surface``, ``reading_kind``; a route's ``length_m``, ``material``;
a tie's ``feature``, ``distance_m``, ``bearing_deg``; a utility's ``name``, ``colour``,
``quality``; a hole's ``length_m``, ``width_m``, ``chance``.
"""
