"""Both stages on workers that crash, sleep, wake up late and run other code, on a broker in memory and in virtual time.

    schedule   what happens, as data: drawn from a seed, printed, replayed, shrunk
    world      the run: the operations with their faults, then healing, then the way to quiet
    worker     the five steps of a batch, each a place to stop; lane and broker are what it stands on, versions is other
               code that it may run
    checks     the invariants; replaying is S9
    mutants    wrong hosts and wrong layouts of the ledger, each of which must be found

The stages are the real ones, and in one run of ten their messages go through the real JSON. The host, its store and the
broker are models of the real ones: what is not in them is not tested here. That is SQLite, the restore of a partition
as something that can be interrupted, a log that was cut off, a broker that refuses, a static member that is started
twice, a record that is read as poison, and batches of more than some dozens of records.
"""
