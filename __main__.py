"""``python -m stillbox`` is the command ``stillbox``."""

from stillbox.commands.front_door import main

main()
