"""Pure evidence engine: tables in, figures with their uncertainty out. Imports no Django."""
