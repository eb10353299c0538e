"""Made sound of machines, with the truth."""
