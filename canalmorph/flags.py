"""Quality flags of one section: documented bits, decoded to names for the tables."""

from enum import IntFlag


class Quality(IntFlag):
    """What is in doubt about a section; blank numbers are explained by these names."""

    GOOD = 0
    #: The wall is thinner than three standard widths of the blur: it rests on the density.
    THIN_CORTEX = 1
    #: The outline meets the edge of the scan, so that part of it was never imaged.
    TOUCHES_EDGE = 2
    #: More than a tenth of the outline had no edge that could be trusted; its widths are blank.
    OUTLINE_INCOMPLETE = 4
    #: The section reaches the head: ML widths end where its circle begins, areas are blank.
    HEAD_IN_SECTION = 8
    #: Metal or clipped values lie near the section; its numbers are blank.
    METAL = 16
    #: The canal is so narrow that the blur fills it; its numbers and the walls are blank.
    NARROW_CANAL = 32
    #: The inner cortex is porous: the canal is where the marrow begins, and the width within the
    #: dense cortex stands beside it.
    POROUS_ENDOSTEUM = 64
    #: A number is known too badly to be given: its uncertainty is too large a share of it.
    UNCERTAIN = 128
    #: Too little of the shaft is in view for its axis: the section has no meaning and is blank.
    NO_SHAFT_AXIS = 256
    #: The canal holds something nearly as dense as cortex, such as cement: its numbers are blank.
    FILLED_CANAL = 512
    #: Slices are missing where the section lies: its numbers are blank.
    MISSING_SLICES = 1024
    #: A person drew the outline: its uncertainty is that of a hand.
    HAND_DRAWN = 2048

    def names(self) -> list[str]:
        """Return the lower-case names of the bits that are set, in the order of their value.

        Examples
        --------
        >>> (Quality.THIN_CORTEX | Quality.TOUCHES_EDGE).names()
        ['thin_cortex', 'touches_edge']
        >>> Quality.GOOD.names()
        []
        """
        return [bit.name.lower() for bit in Quality if bit in self and bit.name is not None and bit]
