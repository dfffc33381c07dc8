"""Physical constants that several calculations share."""

GAS_CONSTANT_J_MOL_K = 8.314462618  # CODATA 2018, exact
AIR_J_KG_K = 287.05  # specific gas constant of dry air, ISO 2533
ZERO_C_K = 273.15  # 0 C, exact
