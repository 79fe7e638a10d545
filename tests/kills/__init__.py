"""Real kills on real SSH hosts: whoever is killed when, hosts end as found and no finished trial is lost."""
