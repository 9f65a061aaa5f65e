"""An invented session whose true pitches are known, synthesised from nothing but arithmetic."""
