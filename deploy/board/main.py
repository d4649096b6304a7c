"""What MicroPython starts when the board gets power."""

import board

board.run()
