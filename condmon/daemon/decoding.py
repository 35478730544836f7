"""What came in, as records: messages decoded in the order in which they arrived.

A message that stops the decoder is a bug of ours; it is left out and told, the others go on, for
it would come again after every restart.
"""

from collections.abc import Sequence

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import Gap, Record
from condmon.log import Repeats
from condmon.mqtt.inbox import Taken

FAULT = "a fault in condmon itself: a message that stops the decoder was left out"


class Decoding:
    """Decodes what the inbox gives.

    Parameters
    ----------
    decoder : Decoder
        The engine's own, which replay uses too.
    repeats : Repeats
        Tells a fault, and not a thousand times.
    """

    def __init__(self, decoder: Decoder, repeats: Repeats) -> None:
        self._decoder = decoder
        self._repeats = repeats

    def records(self, taken: Taken) -> list[Record]:
        """Records in the order of arrival: runs of messages decoded, control records between."""
        records: list[Record] = []
        run: list[Arrived] = []
        for entry in taken.entries:
            if isinstance(entry, Arrived):
                run.append(entry)
                continue
            records += self._decode(run)
            records.append(entry)
            run = []
        return records + self._decode(run)

    def _decode(self, run: Sequence[Arrived]) -> list[Record]:
        try:
            return self._decoder.decode(run)
        except Exception as error:  # noqa: BLE001 - whatever it is, the stream goes on
            if len(run) > 1:
                return [record for one in run for record in self._decode([one])]
            [message] = run
            self._repeats.tell(
                "error",
                "fault in decoding",
                message.topic,
                topic=message.topic,
                error=error,
                start=message.payload[:64].hex(),
                meaning="a bug in condmon; it is left out, please report it",
            )
            at_us = message.arrived_us
            return [Gap(at_us, at_us, at_us, FAULT, lost=1)]
