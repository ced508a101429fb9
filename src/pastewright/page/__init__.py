"""The page: the bench day in a browser, on the same functions as the commands.

`serve` owns the socket, `app` builds what answers on it, `guard` decides who is answered at all. What the page shows
are the files of a folder (`desk`), the journal, and the owner of the port; it holds no rule and no state of its own.
Long work runs in worker processes (`workers`), and what goes on is told to every open window (`live`).

A screen is one row in `screens`, one Python module with its routes, and one JavaScript module in `front/`; docs/page.md
says how one is added.
"""
