"""Hosts that are whole machines: QEMU guests with a disk, a boot loader's choice and emulated network cards."""
