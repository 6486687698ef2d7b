"""Templates on the stock, and what to buy."""
