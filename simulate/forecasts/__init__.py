"""What a planned measurement will tell."""
