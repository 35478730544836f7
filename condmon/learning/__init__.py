"""Learning: models fitted from history in a short-lived child process. Imports scikit-learn."""
