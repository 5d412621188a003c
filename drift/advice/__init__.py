"""What to do, in the order a careful person would, with the cautions."""
