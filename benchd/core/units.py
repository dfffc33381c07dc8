"""How are quantities with units read, and how are numbers shown?  Converted once, here, at the edge.

Factors: exact by definition (NIST SP 811): 1 psi = 6894.757293168 Pa, 1 bar = 100 kPa, 1 atm = 101.325 kPa.
"""

from __future__ import annotations

KPA_PER_PSI = 6.894757293168
