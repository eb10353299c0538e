"""Run as ``python -m listen.hear DEVICE RATE CHANNEL``: the process that `Microphone` starts."""

import sys

from listen.hear.capture import capture


def main(arguments: list[str]) -> int:
    """Capture until told to stop; DEVICE is "" for the system's choice."""
    name, rate, channel = arguments
    device = int(name) if name.isdigit() else name or None
    try:
        capture(device, rate=int(rate), channel=int(channel), out=sys.stdout.buffer)
    except BrokenPipeError:
        return 0  # nobody listens any more
    except (OSError, ValueError, RuntimeError, ImportError) as error:
        print(str(error).split("\n")[0], file=sys.stderr)
        return 2
    except Exception as error:  # PortAudioError derives from Exception alone
        if type(error).__name__ != "PortAudioError":
            raise
        print(str(error).split("\n")[0], file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
