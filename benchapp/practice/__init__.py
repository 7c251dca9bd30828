"""Practice without a window: marks of a pull, drills with their levels, progress, studies of person or tool. Pure."""
