"""Where along the femur things lie: what the stages that look for them must agree on.

Levels are heights over the lesser trochanter along the proximal shaft axis.
"""

#: The proximal shaft axis begins here, where so much of the shaft is in view below. [mm]
AXIS_TOP_MM, LONG_AXIS_MM = -50.0, 25.0
#: Less of the shaft in view below the lesser trochanter has no axis. [mm]
SHORTEST_AXIS_MM = 15.0
#: The isthmus lies between these levels. Below the second the shaft flares to the knee. [mm]
ISTHMUS_BELOW_MM, ISTHMUS_ABOVE_MM = -40.0, -190.0
