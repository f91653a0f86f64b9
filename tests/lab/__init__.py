"""A real network with real faults, in network namespaces: what flowdiag says of it is held against what was measured beside it.

    two hosts --- switch --- wan1, the main uplink ---- servers
                    |  \\---- wan2, the backup --------/
                    \\---- gate: the router's own keepalives

The switch is an Open vSwitch that exports flows; `tc` (token buckets) gives the uplinks their rates; the traffic is real TCP
and UDP by sockets. `python -m tests.lab` plays and judges all runs, test_lab.py two of them.

- doing.py, runs.py, chance.py: what is done in each run, thought out or made up by chance; traffic.py: the programs that do
  it; network.py: what they do it in
- recording.py: a run becomes a folder: export, site profile, and what was measured beside it; truth.py reads that
- notes.py: the note that flowdiag writes of such a folder; judging.py: what must be true of every note;
  expectations.py, chance_expectations.py: what must be true of each run's
"""
