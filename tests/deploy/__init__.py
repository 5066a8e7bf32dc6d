"""Tests of the scripts under deploy/ and of the pinned versions.

*Installing.* An environment has a dated name and `/opt/cabinetwatch/env` points to the one in
force, so that a switch is one rename. Before it everything is flushed: ext4 writes a name within 5
s and what is in the file after 30, so a power cut in between would leave a link to empty files.
`tests/deploy/clean_root.sh` is the walk through a clean root that `pytest --long
tests/deploy/test_clean_roots.py` takes (as root; debootstrap; packages of Debian from
`$CABINETWATCH_TEST_MIRROR`, else from where the machine has its own). There, too, the power is cut
right after the switch: ext4 is told to shut down (EXT4_IOC_SHUTDOWN), and what had not reached the
disk is gone.

*On a booted system.* `tests/deploy/machine.py` makes a computer of its own with Debian 12 and
systemd, with broker and mail server outside of it, and `test_booted.py` installs the watch there
as README says and lets it suffer. The machine is Debian's kernel as a process (user-mode-linux): a
real Linux with systemd, ext4, control groups and system call filters, on any host, with or without
virtualization, at the host's own speed but for system calls. Its disk (`volatile_disk.py`) has a
write cache; a cut loses what was not flushed, but for blocks that chance has written by then, in
any order. It is the kernel's own virtio disk because its other kind of disk (`ubd`) passes no
flush on. Alone, as root:

    sh deploy/test.sh --long tests/deploy/test_booted.py

Each ordeal begins from one disk, made once. On two busy cores (30 November 2026) that takes five
minutes (install.sh two of them), a boot 15 to 30 s, the twenty cuts half an hour, the weekly mail
a quarter of an hour, for it comes at its hour, and each of the others three to ten minutes. What
was seen then: twenty cuts, five of them followed by one amid the boot, lost up to 187 blocks each,
and of 17,467 numbered readings and 343 transitions not one, nor was any stored or told twice. A
cut right after the switch of an upgrade is tried in the clean roots alone.

*Root and the watch's user.* That user may put anything into the state directory. So install.sh and
uninstall.sh touch it by `as_watch` alone (`test_hostile_state.py`), and a command that root starts
goes on as the owner of the store's folder (`store.place.act_as_owner`) before it opens anything
there; `trial end --apply` is root again for the configuration. Root reads no configuration that
others can write (`config.values`). A watch is signalled by a descriptor of its process, found by
the kernel's list of locks (`store.database.signal_watch`). What we start is started with `-P`, so
that nothing in the current folder is imported.
"""
