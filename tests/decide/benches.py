"""A healthy bench as two surveys, to be spoiled one thing at a time. Invented: the observatory's dome and hall."""

from __future__ import annotations

from typing import Any

from orchestrator.decide.findings import LinkNeed

GIGABIT_2_5 = 2_500_000_000
NEED = LinkNeed("uplink", (("dome", "eth1"), ("hall", "eth1")), None, (1500, 9000), tuple(range(20000, 20064)))


def healthy_bench() -> dict[str, dict[str, Any]]:
    """Two hosts on which nothing is wrong."""
    return {"dome": healthy_host("198.18.0.11"), "hall": healthy_host("198.18.0.12")}


def healthy_host(address: str) -> dict[str, Any]:
    return {
        "kernel": "6.12.1",
        "kernel_build": "#1",
        "machine": "aarch64",
        "model": "a board",
        "python": "3.11.2",
        "cpus": 4,
        "online_cpus": [0, 1, 2, 3],
        "clock_offset_s": 0.2,
        "interfaces": [
            _interface("lo", "127.0.0.1", loopback=True, bus=""),
            _interface("eth0", "10.77.0.11"),
            _interface("eth1", address),
        ],
        "machine_depth": {
            "boot_parameters": "quiet",
            "configuration_sha256": "aa",
            "memory_bytes": 8 << 30,
            "processor": "cores",
            "throttles": 0,
            "temperature_max_c": 45.0,
            "temperature_limit_c": 85.0,
            "under_voltage": [],
            "policies": [
                {
                    "policy": "policy0",
                    "cores": "0 1 2 3",
                    "governor": "performance",
                    "driver": "cpufreq-dt",
                    "min_khz": 600000,
                    "max_khz": 1800000,
                    "hardware_max_khz": 1800000,
                }
            ],
        },
        "cards": [
            {
                "slot": "0000:01:00.0",
                "ids": "abcd:0025",
                "driver": "uplinkcard",
                "interfaces": ["eth1"],
                "modules": [],
                "other_kernels": {},
                "options": {},
            }
        ],
        "activity": {
            "services": {},
            "connection_tracking": None,
            "filters": [],
            "firmware_missing": [],
            "traffic_bit_s": {"eth0": 3000, "eth1": 0},
        },
        "control": {"local": "10.77.0.11", "peer": "10.77.0.1", "interface": "eth0", "interfaces": ["eth0"]},
    }


def _interface(name: str, address: str, *, loopback: bool = False, bus: str = "0000:01:00.0") -> dict[str, Any]:
    return {
        "name": name,
        "driver": "uplinkcard",
        "driver_version": "6.12.1",
        "firmware": "1",
        "bus": bus,
        "kind": "",
        "mtu": 9000,
        "min_mtu": 68,
        "max_mtu": 9216,
        "speed_bit_s": GIGABIT_2_5,
        "duplex": "full",
        "operstate": "up",
        "carrier": True,
        "loopback": loopback,
        "addresses": [{"address": address, "prefix": 24, "family": 4}],
        "autoneg": True,
        "fastest_bit_s": GIGABIT_2_5,
        "offered_load_max_bit_s": GIGABIT_2_5,
        "peer_fastest_bit_s": GIGABIT_2_5,
        "bus_link": {
            "kind": "pcie",
            "speed": "5.0 GT/s PCIe",
            "width": 1,
            "best_speed": "5.0 GT/s PCIe",
            "best_width": 1,
        },
        "errors": {"carrier_changes": 2},
        "interrupts": {"40": "0", "41": "1", "42": "2", "43": "3"},
        "queues": {"receive": 4, "transmit": 4, "steered": False},
        "features": ["rx-gro", "rx-checksum", "tx-tcp-segmentation", "tx-udp-segmentation"],
    }


def end(bench: dict[str, dict[str, Any]], host: str = "dome") -> dict[str, Any]:
    """The measured interface of a host."""
    return next(each for each in bench[host]["interfaces"] if each["name"] == "eth1")
