"""Drainage: flow directions, depressions, flow accumulation, ponds, and how sure they are."""
