"""What people do in the browser, driven by clicks and keys in headless Chromium."""
