"""maskdelta: what changed between two mask revisions of a chip, from microscope photographs."""

__version__ = "0.1.0"
