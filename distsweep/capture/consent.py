"""Having it confirmed what will sound: before the first rung, and again where it gets louder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from distsweep.capture.announcement import Announcement
from distsweep.capture.asker import Asker
from distsweep.capture.keeping import log
from distsweep.capture.pace import Pace
from distsweep.capture.probe import Prober
from distsweep.capture.safeguards import Licence, SplCeiling, ask_licence
from distsweep.errors import SafetyRefusal

MOST_QUESTIONS = 4
"""Times that a plan is confirmed whose level comes out higher after each probe (chosen)."""


class Consent:
    """Asks the person of one capture, and probes again after every wait.

    While somebody reads and types, a volume may be turned: what was confirmed then is not what
    would sound.
    """

    def __init__(
        self, folder: Path, *, ceiling: SplCeiling, asker: Asker, prober: Prober, pace: Pace
    ) -> None:
        """Prepare; nothing is asked."""
        self._folder = folder
        self._ceiling = ceiling
        self._asker = asker
        self._prober = prober
        self._pace = pace
        self.licence: Licence | None = None

    def settle(self, announcement: Callable[[], Announcement]) -> Licence:
        """Have a plan confirmed, as far as it goes beyond what was confirmed before.

        Parameters
        ----------
        announcement : what will sound, by the last probe; called anew after each.

        Raises
        ------
        SafetyRefusal
            It was not confirmed, passes the ceiling, or changes from probe to probe.
        """
        for _ in range(MOST_QUESTIONS):
            planned = announcement()
            logged = {
                "highest_spl_db": round(planned.worst_anywhere_spl_db, 2),
                "nominal_spl_db": None
                if planned.nominal_spl_db is None
                else round(planned.nominal_spl_db, 2),
                "known_by": planned.origin,
                "drives_dbfs": [round(drive, 3) for drive in planned.drives_dbfs],
                "ceiling_spl_db": self._ceiling.spl_db,
            }
            try:
                licence, waited = ask_licence(
                    planned, self._ceiling, self._asker, former=self.licence
                )
            except SafetyRefusal as refusal:
                log(self._folder, "refused", why=str(refusal), **logged)
                raise
            if self.licence is None or licence.spl_limit_db > self.licence.spl_limit_db:
                log(
                    self._folder,
                    "confirmed",
                    how=licence.how,
                    spl_limit_db=licence.spl_limit_db,
                    **logged,
                )
            if waited or self.licence is None:
                probe_s = planned.probe_s if waited else 0.0
                self._pace.begin(planned.seconds + probe_s)
            self.licence = licence
            if not waited:
                return licence
            self._prober.again()
        raise SafetyRefusal(
            "the level is another one after each probe: let nobody turn the volume, and start again"
        )
