"""Pure geometry engine: triangle meshes in, figures out. Imports no Django."""
