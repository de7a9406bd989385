"""Share links, and remarks and sign-offs of whoever opens one."""
