"""Names that a plan cannot give, because they already mean something."""

from __future__ import annotations

HOST_WORDS = ("first", "second", "both")  # what `at` may say instead of a host

# A factor is a column of trials.csv, cells.csv and hosts.csv: it cannot have the name of another column there.
RESERVED = frozenset("""
run_id plan trial attempt cell key replicate block whole_plot position role link way sender receiver sender_interface
receiver_interface status doubts reason started_at seconds goodput_bit_s asked_bit_s offered_bit_s ceiling_bit_s fill
wire_fill frames_s sent_bytes received_bytes datagrams_sent datagrams_received datagrams_lost loss_ratio lost_own_queue
lost_own_interface lost_between lost_far_interface lost_backlog lost_socket datagrams_reordered datagrams_duplicate
jitter_mean_s delay_variation_p99_s round_trip_idle_s round_trip_p50_s round_trip_p99_s segments_sent
segments_retransmitted rtt_s rtt_min_s mss_bytes path_mtu_bytes burst_datagrams send_path receive_path source_port
sender_busiest_core sender_busiest_core_busy sender_busiest_core_softirq receiver_busiest_core
receiver_busiest_core_busy receiver_busiest_core_softirq sender_cpu_s_per_gigabyte receiver_cpu_s_per_gigabyte
pause_frames foreign_bytes settle_s overhead_s host busy throttled_ratio clock_mean_hz clock_min_hz temperature_max_c
steal n n_asked n_valid n_noted n_suspect mean median low high
""".split())
