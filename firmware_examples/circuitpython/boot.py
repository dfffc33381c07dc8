"""Before the USB cable is told what the board is: a second serial port, for benchd alone.

The first one is the console, where CircuitPython itself writes; lines and prompts would get mixed there.
"""

import usb_cdc

usb_cdc.enable(console=True, data=True)
