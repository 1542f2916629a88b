"""The report on hiss: what the loudspeaker adds to the background while nothing plays."""
