"""What is in a unit's slots, and where a piece with a serial has been."""

from service_api.answering.asking import NOW, Answer, Asking, When, answered
from service_api.domain import condition as conditions
from service_api.domain.condition import as_of
from service_api.domain.plain import answer
from service_api.domain.refusals import NotFound
from service_api.ledgers import lines_of_piece


class PartAnswers(Asking):
    """Answers about slots and pieces."""

    def slots(self, unit: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self.with_parts(connection, unit, when)
            found = {
                "unit": unit,
                "as_of": answer(as_of(state, context)),
                "slots": [answer(s) for s in conditions.slots(state, context)],
            }
        return answered(found)

    def slot(self, unit: str, slot: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self.with_parts(connection, unit, when)
            revision = context.in_force(context.on)
            if slot not in state.slots and (revision is None or revision.sheet.slot(slot) is None):
                raise NotFound(f"{unit} has no slot {slot}")
            page = self._facts(connection, unit, when, ("part.fitted", "part.removed"))
            found = answer(conditions.slot(state, slot, context))
            found |= {"unit": unit, "as_of": answer(as_of(state, context))}
            found["history"] = [answer(s) for s in conditions.slot_history(page, slot)]
        return answered(found)

    def piece(self, part_no: str, serial: str, when: When = NOW) -> Answer:
        """Where a piece with a serial has been, over all units."""
        from service_api.domain.ledger import latest
        from service_api.domain.pieces import chain

        with self.engine.begin() as connection:
            known = self.count(connection, when)
            lines = lines_of_piece(connection, self.book.number, part_no, serial, known)
        live = latest(lines, when.true_at)
        if not live:
            raise NotFound(f"no entry names a piece of {part_no} with the serial {serial}")
        places, gaps = chain(live)
        return answered(
            {
                "part_no": part_no,
                "serial": serial,
                "as_of": self._as_of(when, known, max(line.since for line in lines)),
                "chain": [answer(place) for place in places],
                "gaps": [answer(gap) for gap in gaps],
            }
        )
