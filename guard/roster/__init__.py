"""Many runners side by side, worst news first, for who looks after them."""
