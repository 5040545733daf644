"""Which remedies are worth trying, and the plans made of them."""
