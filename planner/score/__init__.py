"""Which played note is which of the score?"""
