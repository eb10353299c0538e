"""A current clamp on a second channel of the sound card, while the run is heard."""

from listen.blocks import Gap
from listen.hear.load_channel import Clamp, ClampEnvelope
from listen.hear.microphone import Microphone
from listen.hear.witness import Witness


class ClampWitness(Witness):
    """Load from a clamp's channel, opened beside the microphone's.

    The sound server lets two programs listen to one device; a device that is opened without one may
    refuse, and then the reason is written down and the run goes on without load.

    Parameters
    ----------
    clamp : Clamp
    device : str | int | None
        As for `Microphone`.
    rate : int
        [Hz]
    """

    name = "current clamp"

    def __init__(self, clamp: Clamp, *, device: str | int | None, rate: int) -> None:
        super().__init__(rate=rate)
        self._clamp = clamp
        self._device = device

    def _listen(self) -> None:
        with Microphone(device=self._device, rate=self._rate, channel=self._clamp.channel) as channel:
            envelope = ClampEnvelope(self._clamp, rate=self._rate)
            while not self.ended.is_set():
                for item in channel.read():
                    if isinstance(item, Gap):
                        self.problem = item.reason
                        self.connected = False
                        continue
                    for load in envelope.push(item):
                        self._saw(load.kind, load.percent, stamp_s=load.at / self._rate)
