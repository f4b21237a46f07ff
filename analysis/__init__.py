"""All computing: from two recorded channels to findings, decay, comparison and report."""
