"""Sizing: polling, interrupts, FIFO or DMA, and whether it is worth it, computed and simulated."""
