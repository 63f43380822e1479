"""Recipes that derive quantities, on arrays of any shape."""
