"""Practice benches: invented shops whose truth is known, to learn on and to be tested on."""
