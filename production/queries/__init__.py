"""What is read of the shop, by topic: ages, materials, instructions, the bench, the lab, the trace."""
