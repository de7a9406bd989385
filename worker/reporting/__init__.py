"""The last stage: the JSON document, the page that shows it, its pictures and plots."""
