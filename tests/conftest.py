"""Puts this folder on the import path, so that tests in every folder share the invented plan."""
