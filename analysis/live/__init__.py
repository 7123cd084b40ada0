"""What a recording says while it is still being made: state carried from block to block, the result by the same code as `analyze`."""
