"""What every page and every report says of itself."""

#: Stands above everything else.
STANDING = (
    "A measuring and teaching aid, for discussion. Not a medical device. It was never validated "
    "on real femur CT. It replaces neither a radiologist's report nor a surgeon's plan, and "
    "defers to local protocol and licensed practice."
)
