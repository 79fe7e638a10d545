"""What tests share: helpers that check nothing by themselves."""
