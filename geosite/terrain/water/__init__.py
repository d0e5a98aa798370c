"""Where water goes: descent, depressions, flow, ponds, and how sure that is."""
