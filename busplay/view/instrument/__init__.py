"""The instrument: panels round the screens, from what a window knows to draw lists."""
