"""The study: does the estimator measure the loss, and is its interval true? See tests/study/README.md."""
