"""demo_ctl: scripted test calls for a restored step-by-step telephone exchange demonstration unit."""
