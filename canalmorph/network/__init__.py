"""The DICOM node: receives scans, has them measured, sends the results back, and fetches scans."""
