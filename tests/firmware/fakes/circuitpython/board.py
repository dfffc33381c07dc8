"""The pins of an RP2040 board, by the names CircuitPython gives them; here they are just numbers."""

GP4, GP5, GP15, GP16, GP17, GP18, GP26, GP27 = 4, 5, 15, 16, 17, 18, 26, 27
