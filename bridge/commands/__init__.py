"""The commands of ``bridgefault``, one file each."""
