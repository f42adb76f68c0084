"""The demo depot: invented sheets, people, units and stories (every figure is made up)."""
