"""Layer stacks and registration -> shift and line width of each layer."""

from maskdelta.overlay._overlay import LayerOverlay, Overlay, measure_overlay

__all__ = ["LayerOverlay", "Overlay", "measure_overlay"]
