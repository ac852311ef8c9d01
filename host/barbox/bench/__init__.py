"""The bench: fans tied down, thrust and current measured step by step, and the curve that follows from them."""
