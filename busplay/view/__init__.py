"""The window, and everything that is drawn in it.

`window.open_window` shows a playable until it is closed. What plays can be replaced while the
window stays open, as `run --watch` does:

    def look_again(window: PlayerWindow) -> None:        # called before each picture
        if something_changed():
            try:
                live, inspector = start_again()
            except BusplayError as error:
                window.show_message(f"The board cannot be read\\n{error}")
            else:
                window.replace(live, inspector=inspector)

    open_window(live, title=..., inspector=inspector, on_picture=look_again)

`replace` keeps what somebody has set up: speed, playing or paused, panels, scale, the pinned
pixel. A message stands over the last picture, and nothing runs, until `replace` or
`clear_message`. Whoever replaces a playable closes the one before.
"""
