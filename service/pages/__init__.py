"""Pages for people who would rather look: templates, one stylesheet and charts of our own."""
