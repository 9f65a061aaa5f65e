"""The only place that opens files: audio, session, configurations, plans."""
