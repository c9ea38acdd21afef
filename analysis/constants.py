"""Physical constants and reference conditions: value, unit, source and year on each line."""

from typing import Final

GAMMA: Final = 1.4  # ratio of specific heats of dry air [-]; ideal diatomic gas, any gas-dynamics text
R_AIR_J_PER_KG_K: Final = 287.05  # specific gas constant of dry air [J/(kg K)]; ISO 2533:1975
CP_J_PER_KG_K: Final = GAMMA * R_AIR_J_PER_KG_K / (GAMMA - 1.0)  # isobaric heat capacity [J/(kg K)]; follows from the two above
CV_J_PER_KG_K: Final = R_AIR_J_PER_KG_K / (GAMMA - 1.0)  # isochoric heat capacity [J/(kg K)]; likewise
PRANDTL: Final = 0.71  # Prandtl number of air near 300 K [-]; common handbook value
ANR_DENSITY_KG_PER_M3: Final = 1.185  # density of free air, ANR (100 kPa, 20 degC, 65 % RH) [kg/m3]; ISO 8778:2003, ISO 6358-1:2013
ANR_TEMPERATURE_K: Final = 293.15  # temperature of free air, ANR [K]; ISO 8778:2003
ANR_PRESSURE_ABS_PA: Final = 100_000.0  # pressure of free air, ANR [Pa abs]; ISO 8778:2003
ATMOSPHERE_ABS_PA: Final = 101_325.0  # standard atmosphere at sea level [Pa abs]; ISO 2533:1975
SUTHERLAND_MU0_PA_S: Final = 1.716e-5  # viscosity of air at SUTHERLAND_T0_K [Pa s]; Sutherland's law, White, Viscous Fluid Flow, 1991
SUTHERLAND_T0_K: Final = 273.15  # reference temperature of Sutherland's law [K]; likewise
SUTHERLAND_S_K: Final = 110.4  # Sutherland's constant of air [K]; likewise
ZERO_CELSIUS_K: Final = 273.15  # 0 degC [K]; definition of the Celsius scale
LEAK_REFERENCE_PA: Final = 620_528.2  # 90 psi gauge, where leaks and losses are stated [Pa gauge]; common practice, no source
ANR_HUMIDITY: Final = 0.65  # relative humidity of free air, ANR [-]; ISO 8778:2003
R_VAPOUR_J_PER_KG_K: Final = 461.523  # specific gas constant of water vapour [J/(kg K)]; R / 18.015268 g/mol, IAPWS R6-95
VAPOUR_MASS_RATIO: Final = 0.621945  # molar mass of water over that of dry air [-]; ASHRAE Fundamentals 2017, chapter 1
TRIPLE_POINT_K: Final = 273.16  # triple point of water [K]; IAPWS R14-08
TRIPLE_POINT_PA: Final = 611.657  # and its pressure [Pa abs]; IAPWS R14-08
