"""Questions that designers ask of many boards: how they spread, which values, which parts."""
