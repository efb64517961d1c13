"""How much the router itself costs, each figure beside a floor that was measured in the same run, in turn with it.

    python -m tests.benchmarks.speed                     all of them: some twenty minutes
    python -m tests.benchmarks.speed a c --quick         reaction and throughput, in a minute

    a reaction     an input event that is readable, to MIDI that was sent
    b in time      how late the notes of an arpeggio are
    c throughput   events a second through the engine, on one core
    d pauses       the longest that the loop is away in a million events
    e start        from the start of the process to ready, and to the first note
    f memory       resident, with one profile and for each further seat
    g idle         wake-ups and computing while nothing happens
    h offline      ``router play`` over an hour of three inputs

It needs JACK's server (jackd2) for a, b and d to g; b is compared with ``cyclictest`` too (Debian: rt-tests) where that
is installed.
"""
