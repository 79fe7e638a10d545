"""Words and shapes that were read by a person and found to tell nothing about anybody. Data only.

A public copy keeps what stands here, in our own sentences, or has the shape of a figure; all else is replaced. So a
word that is missing costs a reader a word, and one too many may cost a user a secret: add only what a vendor, a kernel
or a standard named, never what a user names.
"""

from __future__ import annotations

import re

from orchestrator.words import statuses


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# The settings and traffic factors of this program; a test holds them to the catalogues.
SETTINGS = _words("""
    mtu speed segmentation-offload receive-offload checksum-offload scatter-gather receive-ring transmit-ring
    interrupt-coalescing channels pause-frames energy-efficient-ethernet transmit-queue-length queueing interrupt-cores
    receive-steering flow-steering transmit-steering test-address governor min-frequency max-frequency boost
    idle-limit congestion-control receive-buffer-limit transmit-buffer-limit tcp-receive-memory tcp-transmit-memory
    tcp-memory backlog busy-polling mtu-probing boot-lines kernel command""")
TRAFFIC = _words("""
    transport direction streams ip intended_load datagram_size congestion socket_buffer mss pacing dscp
    sender_core receiver_core zero_copy burst send_with receive_with loss_limit together""")
FREE_LEVELS = frozenset({"command", "boot-lines", "kernel"})  # settings whose levels are whatever the user writes

# Levels that settings and traffic factors know by name.
LEVELS = _words("""
    on off true false auto none all alone both first second spread one few many as-found as-it-stands full half
    powersave performance ondemand conservative schedutil userspace
    tcp udp transmit receive bidirectional cubic bbr reno dctcp vegas westwood htcp bic illinois yeah hybla scalable
    veno cdg nv lp highspeed
    fq fq_codel codel pfifo_fast pfifo bfifo mq mqprio cake sfq noqueue noop htb tbf red pie fq_pie etf taprio
    segment batch single coalesce forced ipv4 ipv6 unlimited max min stock
    be ef cs0 cs1 cs2 cs3 cs4 cs5 cs6 cs7 af11 af12 af13 af21 af22 af23 af31 af32 af33 af41 af42 af43 le va""")
ROLES = _words("measure search confirm control rehearsal")
STATUSES = frozenset(statuses.STATUSES)
ENDED = frozenset(
    {
        "complete",
        "refused",
        "our fault",
        "not as found",
        "stopped early",
        "interrupted",
        "terminated",
        "running",
        "recovered",
        "broken off",
    }
)
HOW = _words("unchanged restored left restart lease unseen")
MACHINES = _words("""
    x86_64 amd64 i386 i486 i586 i686 aarch64 arm64 armv5tel armv6l armv7l armv8l arm armhf armel riscv64 riscv32 ppc
    ppc64 ppc64le s390x mips mips64 mipsel mips64el loongarch64 sparc64 alpha parisc64""")
SYSTEMS = _words("Linux linux FreeBSD OpenBSD NetBSD DragonFly Darwin bsd GNU")
INTERFACE_KINDS = _words("""
    veth bridge bond vlan vxlan macvlan macvtap ipvlan tun tap dummy ifb wireguard gre gretap ip6gre sit ipip team vrf
    hsr geneve can vcan netdevsim loopback ether bond_slave bridge_slave""")
DUPLEX = _words("full half unknown")
OPERSTATES = _words("up down unknown dormant testing notpresent lowerlayerdown")

# Names of interfaces by kind or by place, as kernels and systemd give them; what a MAC or a person named is not so.
KERNEL_INTERFACE = re.compile(
    r"lo|(eth|wlan|usb|bond|br|veth|lan|wan|sfp|port|vtnet|em|ix|ixl|igb|igc|re|bge|vmx)\d{1,3}|"
    r"(en|wl|ww)(o\d{1,3}|s\d{1,3}|(P\d{1,2})?p\d{1,3}s\d{1,3})(f\d{1,2})?(np\d{1,2}|d\d{1,2})?"
)

# Network drivers and what is loaded with them, as the kernel's tree names them (drivers/net, net/).
MODULES = _words("""
    3c59x 8139cp 8139too alx amd_xgbe amd8111e aq_nic asix atl1 atl1c atl1e atl2 atlantic ath10k_pci ath11k_pci ath9k
    atmel_macb macb ax88179_178a ax88796c b44 b43 bcm_genet bcmgenet bcm63xx_enet bcmasp be2net bgmac bna bnx2 bnx2x
    bnxt_en brcmfmac brcmsmac cadence cdc_ether cdc_mbim cdc_ncm cdc_subset chelsio cpsw cxgb cxgb3 cxgb4 cxgb4vf
    davinci_emac de2104x dm9000 dm9601 dpaa_eth dwmac_rk dwmac_sun8i dwmac_meson8b dwmac_generic dwc_eth_dwmac e100
    e1000 e1000e ena enc28j60 enetc enic et131x fec fealnx fm10k forcedeth fsl_dpaa2_eth ftgmac100 fun funeth gianfar
    gmac gve hinic hns hns3 hv_netvsc i40e i40evf iavf ice idpf igb igbvf igc ipw2100 ipw2200 ixgb ixgbe
    ixgbevf jme ks8851 ksz884x lan743x lan78xx lan9303 liquidio lpc_eth mana mcs7830 mlx4_core mlx4_en mlx5_core
    mt7601u mt76x2u mt7921e mtk_eth_soc mtk_soc_eth mv643xx_eth mvneta mvpp2 mwifiex myri10ge natsemi ne2k_pci
    netxen_nic nfp
    ngbe octeontx2 rvu_nicpf rvu_nicvf orion pch_gbe pcnet32 pegasus qede qed qlcnic qlge r6040 r8125 r8152 r8168
    ravb rndis_host rt2800usb rtl8150 rtl8187 rtl8192cu rtl8xxxu rtw88_pci rtw89_pci s2io sfc sfc_siena sh_eth sis190
    sis900 skge sky2 smsc75xx smsc911x smsc95xx smsc9420 sr9700 starfire st_gmac stmmac stmmaceth sun4i_emac sundance
    sungem sunhme tehuti tg3 thunderx nicvf tlan tulip txgbe typhoon usbnet via_rhine via_velocity virtio_net vmxnet3
    vxge wil6210 xen_netfront xgene_enet xgmac xilinx_emaclite xilinx_axienet zd1211rw am65_cpsw_nuss icssg_prueth
    rswitch tsnep veth bridge bonding 8021q vxlan macvlan ipvlan tun tap dummy ifb wireguard team netdevsim
    em ix ixl re vtnet bge cxl vmx axgbe igc genet
    tcp_bbr tcp_cubic tcp_dctcp tcp_vegas tcp_westwood tcp_htcp sch_fq sch_fq_codel sch_netem sch_cake sch_htb sch_tbf
    cls_bpf cls_u32 act_mirred nf_tables nf_conntrack nf_nat ip_tables ip6_tables x_tables iptable_filter
    ip6table_filter
    iptable_nat br_netfilter overlay ext4 xfs btrfs nfs nvme nvme_core phy_generic marvell at803x micrel
    broadcom bcm_phy_lib mdio mii libphy phylink ptp pps_core dca i2c_algo_bit fixed_phy vhost vhost_net kvm
    kvm_amd xhci_hcd xhci_pci ehci_hcd dwc2 dwc3""")

# Parts of a kernel's release after its numbers: what distributions and trees call their builds.
KERNEL_FLAVOURS = _words("""
    amd64 arm64 armmp armv7l armhf i386 i686 x86 64 x86_64 aarch64 riscv64 ppc64le s390x generic lowlatency
    server cloud
    virtual kvm rt lts zen hardened oem v8 v7 v7l v6 2712 rockchip rk35xx sunxi meson current edge legacy
    vendor mainline next default debug pae unsigned bpo deb10 deb11 deb12 deb13 deb14 el7 el8 el9 el10 fc ubuntu debian
    arch alpine azure aws gcp gke oracle ibm microsoft standard wsl2 release stable current p1 p2 p3 p4 p5 p6 p7 p8 p9
    rc git dirty preempt tegra imx qcom lpae smp common uek""")
BUILD_WORDS = _words("SMP PREEMPT PREEMPT_DYNAMIC PREEMPT_RT RT VOLUNTARY Debian Ubuntu GENERIC UTC")

# Boot parameters that switch the kernel's own behaviour; Documentation/admin-guide/kernel-parameters.txt. What names a
# host, a disk, an address, a file, a user or a key is not among them and must never be.
_SWITCH = r"(on|off|0|1|yes|no|y|n|true|false)"
_COUNT = r"\d{1,4}"
_CORES = r"(\d{1,3}(-\d{1,3})?)(,\d{1,3}(-\d{1,3})?){0,31}"
_MITIGATIONS = r"(auto|off|on|full|force|nosmt|auto,nosmt|full,force|prctl|seccomp|retpoline|eibrs|ibrs)"
BOOT_FLAGS = _words("""
    quiet ro rw splash nosmt nohz threadirqs nomodule nokaslr kaslr nopti noapic nolapic noirqbalance debug
    skew_tick nosoftlockup nowatchdog rootwait verbose single emergency noresume""")
BOOT_PARAMETERS = {
    name: re.compile(shape)
    for names, shape in (
        ("mitigations", r"(auto|off)(,nosmt)?"),
        (
            (
                "spectre_v2 spectre_bhi spec_store_bypass_disable l1tf mds tsx_async_abort srbds retbleed "
                "gather_data_sampling reg_file_data_sampling mmio_stale_data kvm.nx_huge_pages pti"
            ),
            _MITIGATIONS,
        ),
        ("isolcpus nohz_full rcu_nocbs irqaffinity", rf"((domain|managed_irq|nohz),){{0,3}}{_CORES}"),
        (
            (
                "nohz threadirqs amd_iommu iommu iommu.passthrough iommu.strict kpti psi transparent_hugepage "
                "random.trust_cpu audit selinux apparmor numa_balancing nmi_watchdog skew_tick pcie_aspm "
                "cgroup_disable tsc clocksource idle nox2apic swiotlb init_on_alloc init_on_free page_poison "
                "slub_debug rcupdate.rcu_expedited"
            ),
            (
                rf"({_SWITCH}|pt|strict|nopt|always|never|madvise|force|noforce|reliable|unstable|hpet|acpi_pm|memory|poll|"
                r"halt|nomwait|performance|default|powersave|powersupersave)"
            ),
        ),
        (
            "amd_pstate cpufreq.default_governor processor.max_cstate cpuidle.off",
            rf"({_COUNT}|passive|active|guided|disable|enable|no_hwp|performance|powersave|schedutil|ondemand|conservative)",
        ),
        (
            "maxcpus nr_cpus possible_cpus panic loglevel hugepages usbcore.autosuspend pcie_port_pm rcu_nocb_poll",
            _COUNT,
        ),
        ("hugepagesz default_hugepagesz", r"\d{1,4}[kKMG]"),
        ("preempt", r"(none|voluntary|full|lazy)"),
        ("console", r"tty(S|AMA|USB)?\d{1,2}(,\d{4,6}[noe]?\d?)?"),
        ("net.ifnames biosdevname", "[01]"),
        ("pci", r"(noaer|nomsi|noacpi|realloc|pcie_bus_perf|pcie_bus_safe|pcie_bus_tune_off|nocrs)"),
    )
    for name in names.split()
}

# Units that make a number before them a figure. Letters alone that could abbreviate a name (N, E, W) are not here.
UNITS = _words("""
    s ms us µs ns min h d bit/s kbit/s Mbit/s Gbit/s b/s kb/s Mb/s Gb/s B/s bit kbit Mbit Gbit B kB MB GB KiB MiB GiB
    bytes byte bits frames frame datagrams datagram segments packets frame/s kframe/s Mframe/s frames/s % ppm Hz
    kHz MHz
    GHz °C times trials trial cells cell blocks replicates runs streams flows seconds minutes hours cores queues probes
    places settings levels rows hosts links intervals samples periods restarts attempts""")
GLUED_UNITS = r"(s|ms|us|µs|ns|min|h|d|[kMGT]?(bit|b)/s|[kMG]?frame/s|[kKMGT]i?B|B|%|Hz|kHz|MHz|GHz|ppm|x)"

# What drivers call their counters, taken apart at punctuation; numbers of queues and sizes stand between.
COUNTER_WORDS = _words("""
    rx tx rxq txq in out q queue queues ring port mac phy hw sw nic driver interface softnet backlog qdisc xdp tso gso
    gro lro csum checksum checksums packet packets pkt pkts frame frames byte bytes octet octets ucast mcast bcast
    unicast multicast broadcast drop drops dropped discard discards discarded error errors err errs crc fcs align
    alignment length long short jabber fragment fragments frag frags oversize undersize runt runts overrun overruns
    underrun underruns fifo missed no nobuf nobufs buf buffer buffers alloc allocation fail failed failure failures
    pause paused xon xoff flow control prio priority collision collisions single multiple multi late excessive deferred
    aborted carrier heartbeat window timeout timeouts restart restarts busy full stop stopped wake wakeups wake-ups
    interrupt interrupts irq irqs poll polls napi done kick kicks redirect redirected pass passed over to from
    and or of
    size sizes good bad total count counts stat stats status state vlan tag tagged untagged filter filtered match
    mismatch miss hit hits cache page pages recycle reuse reused desc descriptor descriptors dma map mapping host
    switch link up down reset resets change changes symbol symbols code lpi eee sync lost loss retry retries time stamp
    timestamp timestamps hwtstamp ptp skipped compl completion completions linearize inner outer encap tunnel tcp udp
    ip ipv4 ipv6 icmp arp seg segs segments retrans memory mem oom peak max min avg cur current received sent transmit
    receive transmitted valid invalid unknown unsupported protocol proto type addr address l2 l3 l4 squeezed
    collapsed datagram datagrams oks reasm fails requeues sndbuf rcvbuf ports routes hdr hdrs truncated requests
    delivers
    listen rsts fwd forw ecn syncookies embryonic
    overflow underflow underflows overflows dropcount jabbers within outofrange bounce nohandler not ready ok""")

# What the library that draws our charts writes for readers who hear them.
CHART_WORDS = _words("""
    axis titled for a an linear scale discrete with values from to value symbol legend text rect mark container group
    title role graphics object line area rule bar point chart color fill stroke""")

# Words of the scenario in examples and messages: people copy it, so that it may be what their hosts are called.
SCENARIO = _words("dome hall uplink desk meter obs example marta plug stella observatory")
