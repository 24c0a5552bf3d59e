"""What the bench teaches beside probabilities: minutes, prices, whether repairs cure."""
