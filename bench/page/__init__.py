"""The live page: what a technician uses beside the trailer, and what others watch.

`server.py` puts it together. A bay (`bay.py`) owns a session with one board and everything that a person has said and
done in this visit (`visit.py`), so that a reload or a dead phone loses nothing. Pages only draw what a bay tells them
(`shown.py`, `fanout.py`). Nothing here switches an output: a bay asks its session, and the safety rules decide.

Who may do what: everybody who reaches the page watches and may stop (`gate.py` keeps other sites out); a device that
was paired with the code at the bench (`pairing.py`, `devices.py`) may take a bay's control (`lease.py`); whatever moves
or applies air goes on only while that device holds it (`hold.py`).
"""
