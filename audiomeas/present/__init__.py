"""Tables, charts and reports, made from results and records."""
