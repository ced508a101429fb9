"""The work at a bench as both faces do it: asked, checked, sent, read and told. Commands and the page call it alike."""
