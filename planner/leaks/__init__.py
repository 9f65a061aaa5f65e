"""Which notes are another stem, leaking in?"""
