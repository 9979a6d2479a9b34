"""What a report says of a readers' panel, whose listeners used what they have."""

__all__ = ["OWN_EQUIPMENT", "OWN_LEVEL"]

OWN_EQUIPMENT = (
    "Listeners of the panel used equipment of their own, which nobody measured: what is found holds for one condition "
    "against another over whatever each of them wore, not for how a device sounds by itself."
)
OWN_LEVEL = (
    "Each listener of the panel set the level on equipment of their own, by a noise as loud as the programme: how loud "
    "it was at their ears is not known."
)
