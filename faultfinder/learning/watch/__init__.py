"""What a lead should look at."""
