"""What is printed. Where its facts come from is not known here."""
