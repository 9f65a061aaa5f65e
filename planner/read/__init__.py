"""Is the session file right, and what would a first one of these files say?"""
