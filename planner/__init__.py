"""Plans pitch corrections for recording sessions: stems in, edit lists out, audio never altered."""

__version__ = "0.1.0"
