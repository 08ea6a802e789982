"""What only the visitor's own browser can do: keep facts for the next visit, and take a comma for a decimal point."""
